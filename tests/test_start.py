"""Where OpenCV cannot be loaded the command says so in one sentence; a stand-in for ``cv2`` fails as the real one."""

import os
import subprocess
import sys
from pathlib import Path

# as the loader words it on a machine without the library (from memory)
MISSING = "libGL.so.1: cannot open shared object file: No such file or directory"


def test_a_missing_system_library_is_named_with_its_remedy(tmp_path: Path) -> None:
    (tmp_path / "cv2.py").write_text(f"raise ImportError({MISSING!r})\n")
    places = os.pathsep.join([str(tmp_path), *sys.path])
    run = subprocess.run(
        [sys.executable, "-m", "digitize", "--version"],
        env={**os.environ, "PYTHONPATH": places},
        capture_output=True,
        text=True,
    )
    assert run.returncode == 2 and run.stdout == ""
    assert run.stderr.count("\n") == 1 and MISSING in run.stderr and "apt-get install libgl1" in run.stderr
