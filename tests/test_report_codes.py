"""Letters and colours of problems: apart for every reader, and readable."""

import itertools

import numpy as np
import pytest

from dualmic.report import codes

# The kinds that docs and records use; a kind without a letter could not be shown.
KINDS = [
    "clipping",
    "dropout",
    "click",
    "hum",
    "wind",
    "rustle",
    "noise",
    "low_level",
    "level_jump",
    "background_change",
    "mic_dead",
    "dual_mono",
    "one_place",
    "polarity",
    "crosstalk",
    "both_talking",
    "peak_over",
    "dc_offset",
    "truncated",
    "bad_samples",
]

# Machado, Oliveira and Fernandes 2009, "A physiologically-based model for simulation of color
# vision deficiency", severity 1.0, on linear RGB.
SIGHT = {
    "full": np.eye(3),
    "no red": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "no green": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "no blue": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}


def linear(colour: str) -> np.ndarray:
    """sRGB to linear light, IEC 61966-2-1."""
    values = np.array([int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)


def lab(light: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* under D65; the least difference an eye sees is about 2.3."""
    to_xyz = np.array(
        [
            [0.4124564, 0.3575761, 0.1804375],
            [0.2126729, 0.7151522, 0.0721750],
            [0.0193339, 0.1191920, 0.9503041],
        ]
    )
    ratio = to_xyz @ np.clip(light, 0, 1) / np.array([0.95047, 1.0, 1.08883])
    root = np.where(ratio > 216 / 24389, np.cbrt(ratio), (24389 / 27 * ratio + 16) / 116)
    return np.array([116 * root[1] - 16, 500 * (root[0] - root[1]), 200 * (root[1] - root[2])])


def contrast(one: str, other: str) -> float:
    """Contrast ratio, W3C WCAG 2.2."""
    brighter, darker = sorted(
        (float(np.array([0.2126, 0.7152, 0.0722]) @ linear(c)) for c in (one, other)), reverse=True
    )
    return (brighter + 0.05) / (darker + 0.05)


def test_every_kind_has_a_letter_of_its_own() -> None:
    assert sorted(codes.KINDS) == sorted(KINDS)
    letters = [kind.letter for kind in codes.KINDS.values()]
    assert len(set(letters)) == len(letters)
    # I and O can be told from 1 and 0 only by a careful reader; O alone is in use, no zero beside.
    assert "I" not in letters


def test_a_kind_from_a_later_version_is_shown_in_its_own_words() -> None:
    assert codes.kind_of("radio_hit") == codes.Kind("?", "damage", "radio hit")


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize("colours", [codes.FAMILY_COLOURS, codes.FAMILY_COLOURS_DARK])
def test_families_stay_apart_for_every_kind_of_sight(sight: str, colours: dict[str, str]) -> None:
    seen = {family: lab(SIGHT[sight] @ linear(colour)) for family, colour in colours.items()}
    for one, other in itertools.combinations(seen, 2):
        # Eight times the least difference an eye sees.
        assert np.linalg.norm(seen[one] - seen[other]) > 18, (one, other)


@pytest.mark.parametrize("colour", [*codes.FAMILY_COLOURS.values(), *codes.TONE_COLOURS.values()])
def test_colours_on_paper_can_be_read(colour: str) -> None:
    # W3C WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1 for text.
    assert contrast(colour, codes.PAPER) >= 4.5


@pytest.mark.parametrize("colour", codes.FAMILY_COLOURS_DARK.values())
def test_colours_in_the_dark_can_be_read(colour: str) -> None:
    assert contrast(colour, "#14181b") >= 4.5
