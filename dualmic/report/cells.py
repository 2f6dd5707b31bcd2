"""Text in the cells of a terminal: how wide it is, cutting it, wrapping it.

A Chinese, Japanese or Korean character and most pictographs fill two cells, an accent that joins
the letter before it fills none (Unicode Standard Annex 11, East Asian Width). File names can hold
anything, so whatever could move the cursor or turn the text's direction is shown as ``?``.
"""

import unicodedata

_JOINERS = "\u200c\u200d"
"""Zero-width joiners, which some scripts need inside words."""
# One cell for one cell, so that a line keeps its width.
_PLAIN_SIGNS = str.maketrans(
    {
        "\u2026": "~",
        "\u2013": "-",
        "\u2014": "-",
        "\u2212": "-",
        "\u2500": "-",
        "\u2501": "=",
        "\u00b7": "-",
        "\u00a0": " ",
        "\u2018": "'",
        "\u2019": "'",
        "\u201c": '"',
        "\u201d": '"',
    }
)


def width_of(text: str) -> int:
    """Return how many cells ``text`` fills.

    >>> width_of("lock"), width_of("水門"), width_of("e\u0301")
    (4, 4, 1)
    """
    if text.isascii() and text.isprintable():  # nearly all text is, and much is measured
        return len(text)
    return sum(_cell(character) for character in text)


def _cell(character: str) -> int:
    if character in _JOINERS or unicodedata.category(character) in ("Mn", "Me"):
        # U+FE0F asks for the wide form of the pictograph before it: one cell more.
        return 1 if character == "\ufe0f" else 0
    return 2 if unicodedata.east_asian_width(character) in "WF" else 1


def clean(text: str) -> str:
    """Return ``text`` on one line, without anything that steers a terminal.

    >>> clean("a\tb\x1b[2Jc")
    'a b?[2Jc'
    """
    spaced = " ".join(text.split())
    return "".join(c if c.isprintable() or c in _JOINERS else "?" for c in spaced)


def plain_for(text: str, encoding: str | None) -> str:
    """Return ``text`` with what ``encoding`` cannot show replaced by plain signs.

    >>> plain_for("1 – 2 … 水", "ascii")
    '1 - 2 ~ ?'
    """
    try:
        text.encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        text = text.translate(_PLAIN_SIGNS)
        name = encoding or "ascii"
        try:
            return text.encode(name, errors="replace").decode(name)
        except LookupError:
            return text.encode("ascii", errors="replace").decode("ascii")
    return text


def shorten(text: str, width: int) -> str:
    """Return ``text`` in at most ``width`` cells, its middle left out: the ends tell takes apart.

    >>> shorten("lock-keeper-interview-0012.mov", 16)
    'lock-ke…0012.mov'
    """
    if width_of(text) <= width:
        return text
    head, tail = text, text
    while width_of(head) > width // 2 - 1:
        head = head[:-1]
    while tail and width_of(tail) > width - 1 - width_of(head):
        tail = tail[1:]
    return f"{head}…{tail}"


def cut(text: str, width: int) -> str:
    """Return ``text`` in at most ``width`` cells, its end left out.

    >>> cut("crackles, too loud", 10)
    'crackles,…'
    """
    if width_of(text) <= width:
        return text
    while width_of(text) > width - 1:
        text = text[:-1]
    return f"{text.rstrip()}…"


def wrap(text: str, width: int, indent: str = "", rest: str | None = None) -> list[str]:
    """Return ``text`` broken at spaces into lines of at most ``width`` cells.

    ``indent`` goes before the first line and ``rest`` (else ``indent``) before the others. A word
    that is wider than a line is cut.
    """
    rest = indent if rest is None else rest
    lines = []
    line, empty = indent, True
    for word in text.split(" "):
        gap = "" if empty else " "
        if not empty and width_of(line) + 1 + width_of(word) > width:
            lines.append(line)
            line, gap = rest, ""
        while width_of(line) + width_of(gap) + width_of(word) > width:
            fits = 1
            while width_of(line) + width_of(word[: fits + 1]) <= width:
                fits += 1
            lines.append(line + word[:fits])
            line, word = rest, word[fits:]
        line, empty = line + gap + word, False
    return [*lines, line]
