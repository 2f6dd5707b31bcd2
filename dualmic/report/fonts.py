"""Fonts for names in any script.

DejaVu Sans, which matplotlib brings along under a free licence, draws Latin, Greek, Cyrillic,
Armenian, Georgian, Hebrew, Arabic and many symbols. For letters it lacks (Chinese, Japanese,
Korean, Devanagari and others) the computer's own fonts are looked through; a letter that none of
them has is drawn as an empty box, never an error.
"""

import functools
import unicodedata
from pathlib import Path
from typing import TYPE_CHECKING

import matplotlib

if TYPE_CHECKING:
    from fpdf import FPDF

FAMILY = "DejaVu Sans"


def dejavu(bold: bool = False) -> Path:
    """Return the path of DejaVu Sans."""
    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return Path(matplotlib.get_data_path()) / "fonts" / "ttf" / name


def fallback_fonts(text: str) -> list[Path]:
    """Return the system's fonts needed beside DejaVu Sans to draw ``text``, best first."""
    return list(_fallback_fonts(frozenset(_visible(text))))


def embed(pdf: "FPDF", text: str) -> None:
    """Give a PDF the font ``body``, upright and bold, and whatever else draws ``text``."""
    pdf.add_font("body", "", dejavu())
    pdf.add_font("body", "B", dejavu(bold=True))
    others = []
    for number, path in enumerate(fallback_fonts(text)):
        others.append(f"other{number}")
        pdf.add_font(others[-1], "", path)
    pdf.set_fallback_fonts(others, exact_match=False)


def families_for(text: str) -> list[str]:
    """Return matplotlib font families that draw ``text``, DejaVu Sans first."""
    paths = fallback_fonts(text)
    if not paths:
        return [FAMILY]
    from matplotlib.font_manager import FontProperties, fontManager

    for path in paths:
        fontManager.addfont(path)
    return [FAMILY, *(FontProperties(fname=path).get_name() for path in paths)]


def undrawable(text: str) -> bool:
    """Whether some letter of ``text`` has no font on this computer."""
    rest = set(_visible(text)) - _letters(dejavu())
    for path in fallback_fonts(text):
        rest -= _letters(path)
    return bool(rest)


def _visible(text: str) -> str:
    """Leave out spaces, control and format characters, which need no picture."""
    return "".join(c for c in text if unicodedata.category(c)[0] not in "CZ")


@functools.lru_cache(maxsize=64)
def _fallback_fonts(letters: frozenset[str]) -> tuple[Path, ...]:
    missing = set(letters) - _letters(dejavu())
    chosen: list[Path] = []
    if missing:
        for path in _system_fonts():
            found = missing & _letters(path)
            if found:
                chosen.append(path)
                missing -= found
            if not missing:
                break
    return tuple(chosen)


@functools.lru_cache(maxsize=1)
def _system_fonts() -> tuple[Path, ...]:
    """Upright TrueType and OpenType fonts of this computer, sans serif ones first."""
    from matplotlib.font_manager import findSystemFonts

    paths = [Path(path) for path in findSystemFonts()]
    upright = [
        path
        for path in paths
        if path.suffix.lower() in {".ttf", ".otf", ".ttc"}
        and not any(word in path.stem.lower() for word in ("italic", "oblique", "bold", "mono"))
    ]
    return tuple(sorted(upright, key=lambda path: ("sans" not in path.stem.lower(), str(path))))


@functools.lru_cache(maxsize=256)
def _letters(path: Path) -> set[str]:
    from fontTools.ttLib import TTFont, TTLibError

    try:
        with TTFont(path, lazy=True, fontNumber=0) as font:
            return {chr(code) for code in font.getBestCmap() or {}}
    except (TTLibError, OSError, KeyError, AssertionError):
        return set()  # a broken font on this computer is no reason to fail
