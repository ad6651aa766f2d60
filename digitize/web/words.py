"""What the floors below say, in the page's words: their remedies name options and numbers, here one fills in a field
or touches a place.
"""

from __future__ import annotations

import re

LABELS = {  # an option, and how the page's own field for the same begins
    "axis": "Draw the axis",
    "check-lines": "Check lines as measured",
    "eased": "Upper edge broken or rounded by",
    "edge-height": "Height of the outline above the bench",
    "fair": "Smooth over wear up to",
    "flip": "Flip",
    "lens": "Lens profile",
    "lost": "Lost along the fracture",
    "mirrored": "The part lies with its other face up",
    "percent": "Percent it shrinks across",
    "same-sheets": "Both beside the very same sheets",
    "sheet": "Sheets beside the part",
    "species": "Wood",
    "thickness": "Thickness of the part",
    "way": "Way to join",
    "zone": "Full width of the tolerance zone",
}
COMMAND = {"folder": "digitize web --folder"}  # what is told to the program when it is started
PHRASES = {  # what is done by numbers and files there, and by hand here
    "digitize heal makes it whole": "heal it under Outline to make it whole",
    "give both on the edge that is to be mended": "touch both on the edge that is to be mended",
    "give points nearer to each other, or take the shape from the other half (mirror)": (
        "touch places nearer to each other, or make it symmetric under Rebuild"
    ),
    "give points that leave more sound edge": "touch places that leave more sound edge",
    "give two points apart from each other": "touch two that are apart from each other",
    ", or name several photos or pattern files": "",
    "read it off the picture or the drawing again, in mm of the pattern": "touch a place nearer to the edge",
}


def spoken(text: str) -> str:
    """A sentence of the command line's as the page would say it: “Way to join” for --way, touched for given."""
    known = COMMAND | LABELS
    for phrase, ours in PHRASES.items():
        text = text.replace(phrase, ours)
    return re.sub(r"--([a-z]+(?:-[a-z]+)*)", lambda o: f"“{known.get(o[1], o[1].replace('-', ' '))}”", text)


def fault(problem: str, remedy: str) -> dict[str, str]:
    """What the page shows as one sentence."""
    return {"problem": spoken(problem), "remedy": spoken(remedy)}
