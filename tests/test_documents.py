"""The documents say what is there: the map of files, the commands, the options, the fixtures."""

from __future__ import annotations

import contextlib
import io
import json
import re
from pathlib import Path

import pytest
from PIL import Image

from digitize.cli import main
from tests.test_floors import ORDER, PACKAGE

ROOT = PACKAGE.parent
README, DEVELOPERS = ((ROOT / name).read_text(encoding="utf-8") for name in ("README.md", "DEVELOPERS.md"))
FIXTURES = sorted(ROOT.glob("fixtures/*.truth.json"))
LARGEST_FILE, LARGEST_FOLDER = 3_000_000, 12_000_000  # bytes


def test_the_map_of_files_is_complete_and_in_order() -> None:
    listed = [
        name.removesuffix(".py").replace("/", ".") for name in re.findall(r"^\| `([\w/]+\.py)`", DEVELOPERS, re.M)
    ]
    there = {".".join(p.relative_to(PACKAGE).with_suffix("").parts) for p in PACKAGE.rglob("*.py")}
    assert set(listed) == there and len(listed) == len(there)
    assert [name for name in listed if name in ORDER] == [name for name in ORDER if name in there]


def test_the_readme_opens_with_two_commands_and_ci_runs_the_second() -> None:
    first, second = re.findall(r"^```sh\n(.*)\n```$", README, re.M)[:2]
    assert first.startswith("python3 -m venv .venv && ") and " digitize trace" in first.replace("/", " ")
    assert (ROOT / re.findall(r"fixtures/\w+\.jpg", first)[0]).is_file()
    assert all(check in second for check in ("ruff check .", "ruff format --check .", "mypy", "pytest"))
    grep = re.search(r"grep '(.*)' README\.md", (ROOT / ".ci/run").read_text())
    assert grep is not None
    assert [line for line in README.splitlines() if re.search(grep[1], line)] == [second]


def test_the_readme_names_the_options_of_trace_and_only_those() -> None:
    with contextlib.redirect_stdout(io.StringIO()) as out:
        assert main(["trace", "--help"]) == 0
    there = set(re.findall(r"--[a-z-]+", out.getvalue())) - {"--output", "--help"}
    table = "\n".join(line for line in README.splitlines() if line.startswith("| `-"))
    assert set(re.findall(r"`(--[a-z-]+)", table)) == there


def test_the_readme_names_every_command_and_only_those() -> None:
    with contextlib.redirect_stdout(io.StringIO()) as out:
        assert main([]) == 0
    there = re.findall(r"^  ([a-z]+) ", out.getvalue().split("Commands:")[1], re.M)
    assert sorted(re.findall(r"^\| `digitize ([a-z]+)", README, re.M)) == sorted(there)


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md", "fixtures/README.md"])
def test_what_the_documents_point_to_is_there(document: str) -> None:
    text = (ROOT / document).read_text(encoding="utf-8")
    for link in re.findall(r"\]\(([^)#:]+)\)", text):
        assert (ROOT / document).parent.joinpath(link).is_file(), link


@pytest.mark.parametrize("path", FIXTURES, ids=lambda p: p.name)
def test_every_fixture_is_told_of_and_matches_its_picture(path: Path) -> None:
    name = path.name.removesuffix(".truth.json")
    truth = json.loads(path.read_text())
    row = next(
        line for line in (ROOT / "fixtures/README.md").read_text().splitlines() if line.startswith(f"| `{name}`")
    )
    assert {"trace": "traced", "warn": "warned", "refuse": "refused"}[truth["expect"]] in row
    assert f"{truth['thickness_mm']} thick" in row
    with Image.open(path.with_name(f"{name}.jpg")) as picture:
        assert list(picture.size) == truth["size_px"]


def test_fixtures_stay_small() -> None:
    sizes = [p.stat().st_size for p in ROOT.glob("fixtures/**/*") if p.is_file()]
    assert max(sizes) <= LARGEST_FILE and sum(sizes) <= LARGEST_FOLDER
