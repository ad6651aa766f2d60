"""Names: of files, safe on every system and never twice; and what is asked for in words."""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Collection

LONGEST_BYTES = 120  # of a stem: with what is hung on it well below the 255 that file systems take
RESERVED = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))}
KEEPS = " -_.()+,'"  # of all that is neither letter nor digit


def safe_stem(name: str) -> str:
    """A file's name without its ending, for a pattern of any name: letters of every script stay, all else is a dash."""
    text = unicodedata.normalize("NFC", name)
    text = "".join(c if unicodedata.category(c)[0] in "LMN" or c in KEEPS else "-" for c in text)
    text = re.sub(r"-{2,}", "-", " ".join(text.split())).strip(" .-")
    text = text.encode("utf-8", "ignore")[:LONGEST_BYTES].decode("utf-8", "ignore").strip(" .-") or "pattern"
    return f"{text}-" if text.partition(".")[0].casefold() in RESERVED else text


def free_stem(stem: str, taken: Collection[str]) -> str:
    """The stem, or it with the first number from 2 on that makes it new; capitals do not tell names apart."""
    there = {folded(t) for t in taken}
    if folded(stem) not in there:
        return stem
    return next(f"{stem}-{n}" for n in range(2, len(there) + 3) if folded(f"{stem}-{n}") not in there)


def folded(text: str) -> str:
    """What names that some system takes for the same have in common."""
    return unicodedata.normalize("NFC", text).casefold()


def asked_words(text: str) -> str:
    """Words as typed, as a full-text question: each must begin some word of the pattern, in any order."""
    words = re.findall(r"\w+", unicodedata.normalize("NFC", text))
    return " AND ".join(f'"{word}"*' for word in words)


def tags_of(text: str) -> tuple[str, ...]:
    """Tags as typed, between commas, each once."""
    return tuple(dict.fromkeys(tag for part in text.split(",") if (tag := " ".join(part.split()))))


def packed(tags: tuple[str, ...]) -> str:
    return json.dumps(tags, ensure_ascii=False)


def unpacked(text: str) -> tuple[str, ...]:
    return tuple(json.loads(text))
