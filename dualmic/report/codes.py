"""Letters, families and colours of problems and results, shared by every report.

Each kind of problem has one letter of its own (taken from its plain words) and belongs to one of
four families, by what a person does about it: *damage* (ask again), *level* (turn something),
*background* (move or switch something off), *between* (place or plug the two microphones
differently). A colour stands for a family, never alone: letter and words always go with it.

All letters, groupings and colours are our choice. Family colours stay apart for people with
red-green or blue-yellow colour blindness and reach a contrast of 4.5 on their background
(W3C WCAG 2.2, success criterion 1.4.3); tests/test_report_codes.py checks both.
"""

from typing import Literal, NamedTuple

Family = Literal["damage", "level", "background", "between"]


class Kind(NamedTuple):
    """One kind of problem: its letter, its family and its name in plain words."""

    letter: str
    family: Family
    title: str


KINDS: dict[str, Kind] = {
    "clipping": Kind("C", "damage", "crackles, too loud for the input"),
    "dropout": Kind("G", "damage", "gap, the sound is gone"),
    "click": Kind("K", "damage", "a crack"),
    "mic_dead": Kind("M", "damage", "microphone not working"),
    "truncated": Kind("E", "damage", "the file ends early"),
    "bad_samples": Kind("X", "damage", "broken data in the file"),
    "low_level": Kind("Q", "level", "recorded too quietly"),
    "level_jump": Kind("J", "level", "the level changes by itself"),
    "peak_over": Kind("P", "level", "peak over the limit"),
    "dc_offset": Kind("O", "level", "the signal sits off centre"),
    "noise": Kind("N", "background", "too much background"),
    "hum": Kind("H", "background", "an electric buzz"),
    "wind": Kind("W", "background", "wind or breath on the microphone"),
    "rustle": Kind("R", "background", "clothes or a hand on the microphone"),
    "background_change": Kind("B", "background", "the background changes"),
    "crosstalk": Kind("V", "between", "the other voice is loud here"),
    "both_talking": Kind("T", "between", "both talk at once"),
    "dual_mono": Kind("S", "between", "both channels are the same microphone"),
    "one_place": Kind("A", "between", "the camera's own microphones"),
    "polarity": Kind("F", "between", "the microphones work against each other"),
}

FAMILY_TITLES: dict[Family, str] = {
    "damage": "damaged sound",
    "level": "level",
    "background": "background",
    "between": "between the microphones",
}

FAMILY_COLOURS: dict[Family, str] = {
    "damage": "#a3121f",
    "level": "#a96400",
    "background": "#4b3bb0",
    "between": "#00806f",
}
FAMILY_COLOURS_DARK: dict[Family, str] = {
    "damage": "#ff7a70",
    "level": "#f2c14e",
    "background": "#b9a2ff",
    "between": "#3fc9b2",
}

#: Ink, speech, silence, grid and paper of the plot and the pages.
INK, SPEECH, SILENCE, GRID, PAPER = "#1b2126", "#42566a", "#c3cad1", "#dfe3e6", "#ffffff"
#: Good, doubtful, bad and unknown, for verdicts; words always stand beside them.
TONE_COLOURS = {"good": "#0b6b3a", "mixed": "#8a5a00", "bad": "#a3121f", "none": "#4a545d"}

SEVERITY_WORDS = {"fail": "spoils it", "warn": "take care", "note": "good to know"}
RESULT_WORDS = {
    "pass": "passes",
    "warn": "take care",
    "fail": "fails",
    "not measured": "not measured",
    "incomplete": "not all measured",
}
RESULT_TONES = {
    "pass": "good",
    "warn": "mixed",
    "fail": "bad",
    "not measured": "none",
    "incomplete": "none",
}


def kind_of(name: str) -> Kind:
    """Return the kind called ``name``; a name this version does not know keeps its own words."""
    return KINDS.get(name) or Kind("?", "damage", name.replace("_", " "))
