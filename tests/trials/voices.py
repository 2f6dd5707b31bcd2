"""Speakers of Debian packages, of tests/data/speech and of two synthesisers, as utterances.

No speaker is in both parts. Packages may lie unpacked in a folder of their own instead of ``/``.
"""

import random
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import av
import numpy as np
import soundfile
from scipy import signal

RATE_HZ = 48_000
LEVEL_DBFS = -26.0  # of the loud half of each utterance, before any gain
DATA = Path(__file__).parents[1] / "data" / "speech"
# Beeps, tones and animals lie among the prompts.
NO_WORDS = ("tone", "beep", "ring", "music", "silence", "monkey", "weasel")
ENOUGH_S = 45.0  # of one speaker: a take repeats little of it

SENTENCES = {
    "en": (
        "I grew up beside the river, and my father kept the boats.",
        "Well, the winter of that year was the worst of all of them.",
        "When did you first notice that something was wrong?",
        "Nobody told us, so we went on working as before.",
        "She came in with a letter and put it on the table.",
        "It was not fear exactly, it was more like being very tired.",
        "And how did the others take it?",
        "I still have the keys, they are in that drawer over there.",
        "Be patient, be honest, and never lend anybody your tools.",
        "Six men carried it up the hill, through the snow and the mud.",
    ),
    "de": (
        "Ich bin am Fluss aufgewachsen, mein Vater hatte dort ein Boot.",
        "Niemand hat uns etwas gesagt, also haben wir weitergemacht.",
        "Wann haben Sie es zum ersten Mal bemerkt?",
        "Sechs Männer haben es den Berg hinaufgetragen.",
    ),
    "pl": (
        "Dorastałam nad rzeką, a mój ojciec miał łodzie.",
        "Nikt nam nic nie powiedział, więc pracowaliśmy dalej.",
        "Kiedy pan to zauważył po raz pierwszy?",
        "Klucze nadal leżą tam w szufladzie.",
    ),
    "sv": (
        "Jag växte upp vid floden och min far hade båtarna.",
        "Ingen sa något till oss, så vi fortsatte att arbeta.",
        "När märkte du det för första gången?",
    ),
}


@dataclass(frozen=True)
class Speaker:
    """Where one speaker's files are, or which synthetic voice says the sentences."""

    name: str
    part: str
    files: tuple[str, ...] = ()
    folder: str = ""
    synthesiser: str = ""


_PROMPTS = "usr/share/asterisk/sounds"
_GAME = "usr/share/games/fillets-ng/sound"
_ACTED = "usr/share/games/hedgewars/Data/Sounds/voices"


def _speakers() -> list[Speaker]:
    found = []
    for part, name in (("seen", "aew"), ("apart", "axb")):
        found.append(Speaker(name, part, (f"*{name}*.flac",)))
    for part, who in (
        ("seen", "fr_CA_f_June"), ("seen", "it_IT_m_Carlo"), ("apart", "en_US_f_Allison"),
        ("apart", "ru_RU_f_IvrvoiceRU"),
    ):  # fmt: skip
        found.append(Speaker(f"prompts-{who[:5]}", part, ("**/*.g722",), f"{_PROMPTS}/{who}"))
    for part, language in (("seen", "cs"), ("apart", "nl")):
        for who in "mv":
            files = (f"*/{language}/*-{who}-*.ogg",)
            found.append(Speaker(f"acted-{language}-{who}", part, files, _GAME))
    # Who acted in which set is not written: all English ones on one side, the others on the other.
    for part, sets in (
        ("seen", "British Classic Default HillBilly Mobster Pirate Russian Surfer"),
        ("apart", "Default_es Default_pl Default_ru Default_uk Russian_pl"),
    ):
        for who in sets.split():
            found.append(Speaker(f"shout-{who}", part, ("*.ogg",), f"{_ACTED}/{who}"))
    for part, voices in (
        ("seen", "espeak:en-gb+m3 espeak:en-us+f2 espeak:de+m1 espeak:en-gb-scotland+m7 "
                 "flite:rms flite:awb"),
        ("apart", "espeak:de+f4 espeak:pl+m2 espeak:sv+f3 espeak:en-gb+f5 espeak:en-029+m8 "
                  "flite:slt flite:kal16"),
    ):  # fmt: skip
        found += [Speaker(voice, part, synthesiser=voice) for voice in voices.split()]
    return found


SPEAKERS = {speaker.name: speaker for speaker in _speakers()}


@cache
def available(part: str, root: Path = Path("/")) -> tuple[str, ...]:
    """Return the names of the part's speakers that this machine can let speak."""
    tools = {"espeak": shutil.which("espeak-ng"), "flite": shutil.which("flite")}
    return tuple(
        name
        for name, speaker in SPEAKERS.items()
        if speaker.part == part
        and (tools.get(speaker.synthesiser.split(":")[0]) or next(_paths(speaker, root), None))
    )


def _paths(speaker: Speaker, root: Path):
    folder = root / speaker.folder if speaker.folder else DATA
    if not folder.exists():
        folder = Path("/") / speaker.folder
    for pattern in speaker.files:
        yield from folder.glob(pattern)


@cache
def utterances(name: str, root: Path = Path("/")) -> list[np.ndarray]:
    """Return what a speaker says: trimmed, at 48 kHz, each at the same level."""
    speaker = SPEAKERS[name]
    raw = _spoken(speaker) if speaker.synthesiser else _recorded(speaker, root)
    kept, total_s = [], 0.0
    for sound, rate_hz in raw:
        ready = prepared(sound, rate_hz)
        if ready is not None:
            kept.append(ready)
            total_s += len(ready) / RATE_HZ
        if total_s > ENOUGH_S:
            break
    return kept


def _recorded(speaker: Speaker, root: Path):
    paths = sorted(_paths(speaker, root))
    random.Random(5).shuffle(paths)
    for path in paths:
        if any(word in str(path) for word in NO_WORDS):
            continue
        if path.suffix == ".g722":
            with av.open(str(path), format="g722") as container:
                frames = [frame.to_ndarray()[0] for frame in container.decode(audio=0)]
            yield np.concatenate(frames) / 32768.0, 16_000
        else:
            sound, rate_hz = soundfile.read(path, always_2d=True)
            yield sound.mean(axis=1), rate_hz


def _spoken(speaker: Speaker):
    tool, voice = speaker.synthesiser.split(":")
    texts = SENTENCES.get(voice[:2], SENTENCES["en"])
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder, "said.wav"))
        for speed in (150, 165) if tool == "espeak" else (0,):
            for text in texts:
                command = (
                    ["espeak-ng", "-v", voice, "-s", str(speed), "-a", "80", "-w", path, text]
                    if tool == "espeak"
                    else ["flite", "-voice", voice, "-t", text, "-o", path]
                )
                subprocess.run(command, check=True, capture_output=True)
                yield soundfile.read(path)


def prepared(sound: np.ndarray, rate_hz: int) -> np.ndarray | None:
    """Return an utterance trimmed and at its level; None if it is no sentence."""
    if not 0.5 < len(sound) / rate_hz < 20:
        return None
    common = np.gcd(rate_hz, RATE_HZ)
    sound = signal.resample_poly(sound, RATE_HZ // common, rate_hz // common)
    # Rumble of the studio, which fades out and in with every utterance, would be no speech.
    sound = signal.sosfilt(signal.butter(2, 70, "high", fs=RATE_HZ, output="sos"), sound)
    frame = RATE_HZ // 100
    power = (sound[: len(sound) // frame * frame].reshape(-1, frame) ** 2).mean(axis=1)
    if power.max() < 1e-9:
        return None
    speech = np.flatnonzero(power > np.percentile(power, 95) * 10**-3.6)
    if len(speech) < 40:
        return None
    start, end = max(0, speech[0] - 2) * frame, (speech[-1] + 6) * frame
    loud = power[power > np.percentile(power, 95) / 100].mean()
    sound = sound[start:end] * 10 ** (LEVEL_DBFS / 20) / np.sqrt(loud)
    if rate_hz < 44_100:
        sound = sound + _treble(sound, rate_hz)
    at = np.arange(len(sound))
    return sound * np.minimum(1, at / 400) * np.minimum(1, at[::-1] / 1200)


def _treble(sound: np.ndarray, rate_hz: int) -> np.ndarray:
    """Return hiss above the band that follows the sibilants: no voice ends there."""
    top_hz = 0.46 * rate_hz
    upper = signal.butter(2, [top_hz / 2, top_hz], "band", fs=RATE_HZ, output="sos")
    slow = signal.butter(1, 60, "low", fs=RATE_HZ, output="sos")
    follows = np.sqrt(np.maximum(0, signal.sosfiltfilt(slow, signal.sosfilt(upper, sound) ** 2)))
    hiss = np.random.default_rng(len(sound)).normal(0, 0.5, len(sound))
    above = signal.butter(4, [top_hz, 16_000], "band", fs=RATE_HZ, output="sos")
    return signal.sosfilt(above, hiss * follows)
