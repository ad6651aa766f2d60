"""Patterns kept in a folder: whole or not at all, whoever else keeps, and whenever the process is killed."""

import json
import os
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest

from digitize.catalogue.find import Asked, find
from digitize.catalogue.folder import BESIDE, belongings, keep, kept_files, pattern_path
from digitize.catalogue.index import INDEX
from digitize.files import read_pattern
from digitize.model.errors import FileError
from tests.helpers import bracket, pattern, rounded_plate

PICTURE = b"a picture"
KEEPERS, EACH = 3, 12
KILLS = 3

# Keeps patterns for ever, or so many times, and tells each name once it is said to be kept.
KEEPING = """
import sys
from pathlib import Path
from digitize.catalogue.folder import keep
from tests.helpers import pattern, rounded_plate
folder, name, count, force, run = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), sys.argv[4] == "force", sys.argv[5]
part = pattern(rounded_plate(), name)
for i in range(count):
    noted = part.model_copy(update={"notes": f"{run}.{i} " + "x" * 20000})
    attached = {"photo.jpg": noted.notes.encode()}
    path, _ = keep(folder, noted, lambda p: b"picture of " + p.notes.encode(), attached, force)
    print(f"{path.name} {run}.{i}", flush=True)
"""


def drawn(kept):
    return PICTURE


def keeping(folder, name, count, force="", run=0):
    return subprocess.Popen(
        [sys.executable, "-c", KEEPING, str(folder), name, str(count), force, str(run)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def names_found(folder, words=""):
    return [e.name for e in find(folder, Asked(words), lambda step, done: None)[0]]


def test_a_pattern_is_kept_with_what_goes_with_it(tmp_path):
    folder = tmp_path / "shop" / "patterns"
    path, kept = keep(folder, pattern(bracket(), "Wandkonsole № 3"), drawn, {"photo.jpg": b"a photo"})
    assert path.name == "Wandkonsole - 3.pattern.json"
    assert read_pattern(path) == kept == pattern(bracket(), "Wandkonsole № 3")
    with_it = belongings(folder, "Wandkonsole - 3")
    assert with_it.preview.read_bytes() == PICTURE
    assert [p.read_bytes() for p in with_it.photos] == [b"a photo"]
    assert with_it.earlier == with_it.comparisons == ()


def test_a_taken_name_gets_a_number_and_nothing_is_overwritten(tmp_path):
    first, _ = keep(tmp_path, pattern(bracket(), "Foot"), drawn, {})
    before = first.read_bytes()
    second, kept = keep(tmp_path, pattern(rounded_plate(), "foot"), drawn, {})
    assert (second.name, kept.name) == ("foot-2.pattern.json", "foot-2")
    assert first.read_bytes() == before
    assert sorted(kept_files(tmp_path)) == ["Foot", "foot-2"]


def test_by_force_the_version_before_becomes_history(tmp_path):
    versions = [pattern(bracket(), "foot").model_copy(update={"notes": n}) for n in ("one", "two", "two", "three")]
    for version in versions:
        path, _ = keep(tmp_path, version, drawn, {"comparison.json": version.notes.encode()}, force=True)
    assert read_pattern(path).notes == "three"
    with_it = belongings(tmp_path, "foot")
    assert [read_pattern(p).notes for p in with_it.earlier] == ["one", "two"]
    assert sorted(p.read_text() for p in with_it.comparisons) == ["one", "three", "two"]


def test_processes_that_keep_at_once_lose_nothing(tmp_path):
    """All under one name: each has to see what the others took."""
    keepers = [keeping(tmp_path, "rail", EACH) for _ in range(KEEPERS)]
    said = [line.split()[0] for k in keepers for line in k.communicate(timeout=60)[0].splitlines()]
    assert [k.returncode for k in keepers] == [0] * KEEPERS
    assert len(said) == len(set(said)) == KEEPERS * EACH
    assert {f"{stem}.pattern.json" for stem in kept_files(tmp_path)} == set(said)
    assert len(names_found(tmp_path)) == KEEPERS * EACH


@pytest.mark.parametrize("force", ["", "force"])
def test_killed_at_any_moment_what_was_kept_is_there_and_whole(tmp_path, force):
    said = []
    for k in range(KILLS):
        process = keeping(tmp_path, "rail", 10_000, force, k)
        said.append(process.stdout.readline())  # it is at work
        time.sleep(0.02 + 0.013 * k)
        process.send_signal(signal.SIGKILL)
        said += process.communicate(timeout=10)[0].splitlines()
        there = kept_files(tmp_path)
        assert {line.split()[0] for line in said} <= {f"{stem}.pattern.json" for stem in there}
        for stem in there:
            now, with_it = read_pattern(pattern_path(tmp_path, stem)), belongings(tmp_path, stem)
            assert with_it.preview.read_bytes() == b"picture of " + now.notes.encode()
            assert now.notes.encode() in [p.read_bytes() for p in with_it.photos]
        assert len(names_found(tmp_path)) == len(there)
    if force:  # every version that was said to be kept is still there
        versions = [*belongings(tmp_path, "rail").earlier, pattern_path(tmp_path, "rail")]
        notes = [read_pattern(p).notes.split()[0] for p in versions]
        assert len(notes) == len(set(notes))
        assert {line.split()[1] for line in said} <= set(notes)
    keep(tmp_path, pattern(bracket(), "rail"), drawn, {}, force=True)  # nobody holds the lock any more
    assert not list((tmp_path / f"rail{BESIDE}").glob(".digitize-*"))
    assert not list(tmp_path.glob(".digitize-*"))


@pytest.mark.skipif(not hasattr(os, "fork"), reason="limits on files are the POSIX way")
def test_a_full_disk_keeps_what_was_there_and_says_so(tmp_path):
    """A process that may write no file above 8 kB stands for a disk that is full."""
    keep(tmp_path, pattern(bracket(), "foot"), drawn, {})
    before = {p: p.read_bytes() for p in tmp_path.rglob("*.json")}
    limit = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (8000, 8000))\n"
    argv = [sys.executable, "-c", limit + KEEPING, str(tmp_path), "foot", "1", "force", "0"]
    told = subprocess.run(argv, capture_output=True, text=True, timeout=60)
    assert "FileError: The result could not be written (File too large): free some space" in told.stderr
    assert {p: p.read_bytes() for p in tmp_path.rglob("*.json")} == before
    assert not list(tmp_path.rglob(".digitize-*"))


ASKING = """
import os, sys
sys.path[:0] = sys.argv[2:]
from pathlib import Path
from digitize.catalogue.find import Asked, find
from digitize.catalogue.folder import keep
from tests.helpers import bracket, pattern
if os.geteuid() == 0:
    os.setuid(65534)  # root may write everywhere
folder = Path(sys.argv[1])
print([e.name for e in find(folder, Asked(), lambda step, done: None)[0]])
try:
    keep(folder, pattern(bracket()), lambda p: b"", {})
except Exception as error:
    print(error)
"""


@pytest.mark.skipif(not hasattr(os, "fork"), reason="a folder closed by POSIX permissions")
@pytest.mark.parametrize("indexed", [False, True])
def test_a_folder_that_may_only_be_read_is_searched_and_not_written(indexed):
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        keep(folder, pattern(bracket(), "foot"), drawn, {})
        if indexed:
            assert names_found(folder) == ["foot"]
        keep(folder, pattern(bracket(), "leg"), drawn, {})
        folder.chmod(0o555)
        argv = [sys.executable, "-c", ASKING, place, *sys.path]
        told = subprocess.run(argv, capture_output=True, text=True, timeout=60)
        folder.chmod(0o755)
        found, refused = told.stdout.splitlines() or told.stderr.splitlines()
        assert found == "['foot', 'leg']"
        assert refused.startswith(f"Nothing may be written to the folder “{place}”: name another folder")
        assert (folder / INDEX).exists() == indexed


def test_a_version_that_comes_back_does_not_hide_its_history(tmp_path):
    for notes in ("one", "two", "one"):
        keep(tmp_path, pattern(bracket(), "foot").model_copy(update={"notes": notes}), drawn, {}, force=True)
    assert [read_pattern(p).notes for p in belongings(tmp_path, "foot").earlier] == ["one", "two"]


def test_a_folder_that_is_not_there_or_cannot_be_made(tmp_path):
    with pytest.raises(FileError, match="cannot be read"):
        kept_files(tmp_path / "nowhere")
    (tmp_path / "file").write_text("")
    with pytest.raises(FileError, match="cannot be made"):
        keep(tmp_path / "file" / "patterns", pattern(bracket()), drawn, {})


def test_a_damaged_lock_is_told_of(tmp_path):
    keep(tmp_path, pattern(bracket()), drawn, {})
    (tmp_path / ".lock.sqlite").write_bytes(b"not a database at all" * 99)
    with pytest.raises(FileError, match="is damaged: delete it"):
        keep(tmp_path, pattern(bracket()), drawn, {})
    assert len(json.loads((tmp_path / "bracket.pattern.json").read_text())) > 3
