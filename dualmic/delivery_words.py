"""What would turn a check into a pass, in words for people who do not know decibels.

Three things can help: another gain, another distance between mouth and microphone, or asking
again. Each sentence says which of them does, and which does not.
"""

from collections.abc import Callable

from dualmic.checks import SAFE_COPY
from dualmic.record import Check

ASK_AGAIN = "ask that answer again, if it is safe and they are willing"
RECORD_AGAIN = "the question can be recorded again at any time"
CHAIN = "check the pack, the receiver's output and the camera's input, in that order"

# Halving the distance to a mouth raises its voice by 6 dB (a point source in the free field, from
# memory); what is left of the distance for each step of decibels.
DISTANCES = (
    (1.5, "five sixths"),
    (3.0, "three quarters"),
    (5.0, "two thirds"),
    (7.5, "half"),
    (11.0, "a third"),
    (14.0, "a quarter"),
)


def in_words(check: Check) -> str:
    """Return what would make ``check`` pass, or what a stated value means; empty where it passes.

    >>> in_words(Check("sample_rate", "Sample rate", None, 44100.0, 48000.0, None, -3900.0, "Hz",
    ...                "warn", ""))
    'Set the camera to 48000 Hz before the next take; this one must be converted.'
    """
    if check.result == "not measured":
        return GAPS.get(check.id, "This could not be measured: listen to it before you rely on it.")
    if check.result == "pass":
        stated = STATED.get(check.id) if check.margin is None else None
        return stated(check) if stated and check.value is not None else ""
    words = BROKEN.get(check.id)
    return words(check) if words else "Ask whoever takes the delivery."


def _beyond(check: Check) -> float:
    """How far the value lies beyond the limit for warning (of failing, where there is no other)."""
    first = check.fail_limit if check.warn_limit is None else check.warn_limit
    return 0.0 if first is None or check.value is None else abs(check.value - first)


def _distance(db: float) -> str:
    for up_to, words in DISTANCES:
        if db <= up_to:
            return words
    return "a fifth or less"


def _damage(what: str, prevent: str) -> Callable[[Check], str]:
    def words(check: Check) -> str:
        if check.mic == "interviewer":
            return f"No gain mends {what}; {RECORD_AGAIN}. Before the next take: {prevent}."
        if SAFE_COPY in check.title:
            return f"No gain mends {what}: use the other copy of this answer. Then {prevent}."
        if check.result == "warn":
            return f"No gain mends {what}: listen to that answer. Before the next take: {prevent}."
        return f"No gain mends {what}: {ASK_AGAIN}. First: {prevent}."

    return words


def _speech_to_noise(check: Check) -> str:
    return (
        "Gain alone does not help, for it lifts the background as well: bring the microphone to "
        f"{_distance(_beyond(check))} of its distance from the mouth, or find a quieter place."
    )


def _crosstalk(check: Check) -> str:
    wearer = "the interviewer's" if check.mic == "interviewer" else "the subject's"
    return (
        f"Gain alone does not help, for it lifts both voices: bring {wearer} microphone to "
        f"{_distance(_beyond(check))} of its distance from its own mouth, or sit further apart. In "
        "the cut, open only the microphone of the one who speaks."
    )


def _loud_moments(check: Check) -> str:
    return (
        "No gain changes this: the loudest words stand far above the rest, and holding them down "
        "may be heard. For the next take, keep the distance between mouth and microphone steady."
    )


def _gain(check: Check) -> str:
    return (
        f"Gain alone mends this: turn that input up by {_beyond(check):.0f} dB or more before the "
        "next take. In this one the mixer has to lift the voice, and hiss comes up with it."
    )


def _hum(check: Check) -> str:
    return (
        "Gain alone does not help, for it lifts the hum as well: take the camera off the mains, "
        "lead cables away from power leads and dimmers, or bring the microphone to "
        f"{_distance(_beyond(check))} of its distance. The mixer can filter a steady hum."
    )


def _mic_dead(check: Check) -> str:
    if check.mic == "interviewer":
        return f"No gain mends silence; {RECORD_AGAIN}. Before the next take, {CHAIN}."
    if SAFE_COPY in check.title:
        return f"No gain mends silence: use the other copy. Before the next take, {CHAIN}."
    return f"No gain mends silence: {CHAIN}; then ask again what was lost, if they are willing."


def _dual_mono(check: Check) -> str:
    return (
        "No gain separates the two voices. Before the next take, set the camera to record one "
        "microphone on each channel, and check that both are plugged in."
    )


def _sample_rate(check: Check) -> str:
    rate = check.fail_limit if check.warn_limit is None else check.warn_limit
    return f"Set the camera to {rate:.0f} Hz before the next take; this one must be converted."


def _bit_depth(check: Check) -> str:
    if check.value is None:
        return "Set the camera to uncompressed sound (PCM) before the next take."
    limit = check.fail_limit if check.warn_limit is None else check.warn_limit
    return f"Record or export {limit:.0f} bit or more: bits that are gone do not come back."


def _loudness(check: Check) -> str:
    limit = check.fail_limit if check.warn_limit is None else check.warn_limit
    down = check.value is not None and limit is not None and check.value > limit
    way = "lower" if down else "raise"
    after = "" if down else " Look at the peaks again after that."
    by = f"{_beyond(check):.1f} dB, better a little more"
    return f"Gain alone mends this: {way} the whole mix by {by}.{after}"


def _true_peak(check: Check) -> str:
    return (
        f"Lower the mix by {_beyond(check):.1f} dB; or keep its loudness and hold only its highest "
        "peaks down, with a limiter that looks between the samples."
    )


def _loudness_range(check: Check) -> str:
    return "One gain does not help: lift the quiet passages or hold the loud ones, by hand."


def _short_term(check: Check) -> str:
    return f"Lower the loudest passage by {_beyond(check):.1f} dB; the rest may stay as it is."


def _mono_sum(check: Check) -> str:
    return (
        "Gain does not help: left and right cancel each other on a single loudspeaker. Look for a "
        "microphone with its polarity reversed, or two microphones open on one voice."
    )


def _trim(check: Check) -> str:
    return f"Trim {_beyond(check):.1f} s of silence."


def _say_ripple(check: Check) -> str:
    if check.value is None or check.value < RIPPLE_HEARD_DB:
        return "Both microphones may stay open together: the voice keeps its colour."
    return (
        "Mixed together, both microphones colour this voice: open only the one of whoever speaks."
    )


def _say_open_mics(check: Check) -> str:
    if check.value is None or check.value < NOISE_HEARD_DB:
        return "Leaving both microphones open adds no background that would be heard."
    return "The background rises when both microphones are open: close the one that is not needed."


# Our choice: under these, careful listeners to speech are not expected to notice.
RIPPLE_HEARD_DB = 3.0
NOISE_HEARD_DB = 1.5

BROKEN: dict[str, Callable[[Check], str]] = {
    "clipping": _damage("flat tops", "turn that input down, at the pack before the camera"),
    "dropout": _damage("lost sound", CHAIN),
    "speech_to_noise": _speech_to_noise,
    "crosstalk": _crosstalk,
    "loud_moments": _loud_moments,
    "gain": _gain,
    "hum_after_gain": _hum,
    "mic_dead": _mic_dead,
    "dual_mono": _dual_mono,
    "sample_rate": _sample_rate,
    "bit_depth": _bit_depth,
    "mono_ripple": _say_ripple,
    "open_mics_noise": _say_open_mics,
    "loudness": _loudness,
    "true_peak": _true_peak,
    "loudness_range": _loudness_range,
    "short_term_max": _short_term,
    "mono_sum": _mono_sum,
    "head_silence": _trim,
    "tail_silence": _trim,
}

STATED: dict[str, Callable[[Check], str]] = {
    "mono_ripple": _say_ripple,
    "open_mics_noise": _say_open_mics,
}

GAPS = {
    "speech_to_noise": "Nobody was silent long enough: record ten seconds of the room with both "
    "microphones open.",
    "hum_after_gain": "Nobody was silent long enough to look for hum: record ten seconds of the "
    "room with both microphones open.",
    "crosstalk": "The other voice could not be told from the background in this microphone: listen "
    "to a question and to an answer on it.",
    "gain": "Too little speech of this person alone to tell how loud they were.",
    "loud_moments": "Too little speech of this person alone to tell how loud their peaks are.",
    "loudness": "Too little sound, or too little speech, to tell how loud it is.",
}
