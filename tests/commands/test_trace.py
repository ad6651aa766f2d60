"""``digitize trace``: what is told before any photo is looked at."""

import pytest

from digitize.cli import main


@pytest.mark.parametrize(
    ("argv", "sentence"),
    [
        (
            ["a.jpg", "--dxf", "out.txt"],
            "“out.txt” was taken for a photo, since after --dxf only a name that ends in .dxf is the file to write: "
            "name it like out.dxf.\n",
        ),
        (["--picture", "seen.gif", "a.jpg"], "“seen.gif” was taken for a photo, since after --picture only"),
    ],
)
def test_an_output_with_another_ending_is_not_taken_for_a_photo(
    argv: list[str], sentence: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["trace", *argv, "--thickness", "6"]) == 2
    assert capsys.readouterr().err.startswith(sentence)
