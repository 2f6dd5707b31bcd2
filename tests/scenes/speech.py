"""Open speech by speaker, with the moments in which it is voiced known from its own energy.

Sources (see ``tests/README.md`` for packages and licences): ``tests/data/speech`` (CMU ARCTIC),
spoken dialogues of the game *fillets-ng* in Czech and Dutch, telephone prompts of
*asterisk-core-sounds*, and voices of *espeak-ng*. All but the first are Debian packages and only
needed by the scoring script.

Most of this speech ends at 8 or 11 kHz. So that no detector can live on the emptiness above, it is
continued upwards with noise that follows the speech's own sibilants (our choice; it sounds right
and carries no information that the band below does not).
"""

import subprocess
from dataclasses import dataclass
from functools import cache, lru_cache
from io import BytesIO
from math import gcd
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile
from scipy import signal

from scenes.levels import FRAME, frame_power
from scenes.model import FRAME_S, SAMPLE_RATE_HZ, Half, Samples
from scenes.sentences import SENTENCES

DATA = Path(__file__).parents[1] / "data" / "speech"
_GAME = Path("/usr/share/games/fillets-ng/sound")
_PROMPTS = Path("/usr/share/asterisk/sounds")

# Our choice: a frame this far under the utterance's loud frames (95th percentile) is a pause. Real
# recordings of speech have their breath and room about there.
PAUSE_BELOW_LOUD_DB = 33.0
MIN_FRAMES = 80
MAX_FRAMES = 900


@dataclass(frozen=True)
class Speaker:
    """A voice: its name, its half, where its utterances come from."""

    name: str
    half: Half
    source: str
    pattern: str


@dataclass(frozen=True)
class Clip:
    """One utterance ``samples`` (frames,) at 48 kHz, unit active RMS; ``active`` per 10 ms."""

    samples: Samples
    active: npt.NDArray[np.bool_]


SPEAKERS = (
    Speaker("cs-small", "tuning", "game", "cs/*-m-*"),
    Speaker("cs-big", "tuning", "game", "cs/*-v-*"),
    Speaker("fr-prompts", "tuning", "prompts", "fr_CA_f_June"),
    Speaker("it-prompts", "tuning", "prompts", "it_IT_m_Carlo"),
    Speaker("synth-us-f2", "tuning", "synth", "en-us+f2:55:150"),
    Speaker("synth-gb-m3", "tuning", "synth", "en-gb+m3:35:145"),
    Speaker("synth-scot-klatt", "tuning", "synth", "en-gb-scotland+klatt4:45:155"),
    Speaker("aew", "tuning", "data", "cmu_arctic_us_aew_*"),
    Speaker("nl-small", "reporting", "game", "nl/*-m-*"),
    Speaker("nl-big", "reporting", "game", "nl/*-v-*"),
    Speaker("en-prompts", "reporting", "prompts", "en_US_f_Allison"),
    Speaker("ru-prompts", "reporting", "prompts", "ru_RU_f_IvrvoiceRU"),
    Speaker("synth-rp-f4", "reporting", "synth", "en-gb-x-rp+f4:50:160"),
    Speaker("synth-us-m7", "reporting", "synth", "en-us+m7:30:150"),
    Speaker("synth-carib-m1", "reporting", "synth", "en-029+m1:45:145"),
    Speaker("axb", "reporting", "data", "cmu_arctic_us_axb_*"),
)


class SpeechMissing(RuntimeError):
    """A speech source is not installed; the message says which package to install."""


@cache
def _files(speaker: Speaker) -> tuple[str, ...]:
    if speaker.source == "data":
        found: list[Path] = sorted(DATA.glob(speaker.pattern + ".flac"))
    elif speaker.source == "game":
        found = sorted(_GAME.glob(f"*/{speaker.pattern}.ogg"))
    elif speaker.source == "prompts":
        found = [
            path
            for path in sorted((_PROMPTS / speaker.pattern).rglob("*.g722"))
            if path.stat().st_size > 14_000 and "silence" not in path.parts
        ]
    else:
        return tuple(SENTENCES[speaker.half])
    if not found:
        raise SpeechMissing(
            f"No speech of {speaker.name}: install the packages listed in tests/README.md"
            " (section on scores)."
        )
    return tuple(str(path) for path in found)


def utterance_count(speaker: Speaker) -> int:
    """Return how many utterances a speaker has."""
    return len(_files(speaker))


@lru_cache(maxsize=600)
def clip(speaker: Speaker, number: int) -> Clip | None:
    """Return utterance ``number`` of a speaker; ``None`` where it is too short or hardly speech."""
    samples, rate_hz = _read(speaker, _files(speaker)[number])
    if len(samples) < MIN_FRAMES * rate_hz * FRAME_S:
        return None  # two files of the game hold nothing
    up = gcd(rate_hz, SAMPLE_RATE_HZ)
    samples = signal.resample_poly(samples, SAMPLE_RATE_HZ // up, rate_hz // up)
    samples = signal.sosfilt(_HIGH_PASS, samples)
    active = activity(samples)
    if active.sum() < MIN_FRAMES:
        return None
    first, last = np.flatnonzero(active)[[0, -1]]
    last = min(last, first + MAX_FRAMES)
    begin, end = max(first - 5, 0), min(last + 8, len(active))
    samples = samples[begin * FRAME : end * FRAME]
    active = active[begin:end].copy()
    fade = np.linspace(0, 1, 3 * FRAME)
    samples[: len(fade)] *= fade
    samples[-len(fade) :] *= fade[::-1]
    level = np.sqrt(frame_power(samples)[active[: len(samples) // FRAME]].mean())
    samples = _continued_upwards(samples / level, rate_hz / 2, number)
    return Clip(samples.astype(np.float32), active)


_HIGH_PASS = signal.butter(2, 60, "highpass", fs=SAMPLE_RATE_HZ, output="sos")


def activity(samples: npt.NDArray[np.floating]) -> npt.NDArray[np.bool_]:
    """Return, for each 10 ms frame, whether clean speech ``(frames,)`` is voiced there.

    Frames within :data:`PAUSE_BELOW_LOUD_DB` of the loud ones, single gaps of up to 50 ms closed,
    bursts under 30 ms dropped.
    """
    power = frame_power(samples)
    if not len(power) or power.max() <= 0:
        return np.zeros(len(power), bool)
    loud = np.percentile(power[power > power.max() * 1e-5], 95)
    active = power > loud * 10 ** (-PAUSE_BELOW_LOUD_DB / 10)
    return _drop_runs(~_drop_runs(~active, 5), 3)


def _drop_runs(mask: npt.NDArray[np.bool_], shortest: int) -> npt.NDArray[np.bool_]:
    """Clear the runs of ``True`` shorter than ``shortest``."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
    kept = mask.copy()
    for start, stop in edges.reshape(-1, 2):
        if stop - start < shortest:
            kept[start:stop] = False
    return kept


def _read(speaker: Speaker, name: str) -> tuple[npt.NDArray[np.float64], int]:
    if speaker.source == "synth":
        voice, pitch, speed = speaker.pattern.split(":")
        command = ["espeak-ng", "-v", voice, "-p", pitch, "-s", speed, "--stdout", name]
        spoken = subprocess.run(command, capture_output=True, check=True).stdout
        # The size in a header written to a pipe is wrong: read the samples behind it.
        data, rate_hz = np.frombuffer(spoken[44:], "<i2") / 32768.0, 22_050
    elif speaker.source == "prompts":
        import av

        with av.open(name, format="g722") as container:
            frames = [frame.to_ndarray()[0] for frame in container.decode(audio=0)]
        data, rate_hz = np.concatenate(frames) / 32768.0, 16_000
    else:
        data, rate_hz = soundfile.read(BytesIO(Path(name).read_bytes()), always_2d=True)
        data = data.mean(axis=1)
    return np.asarray(data, float), rate_hz


def _continued_upwards(
    samples: npt.NDArray[np.floating], top_hz: float, seed: int
) -> npt.NDArray[np.floating]:
    """Add noise above ``top_hz`` that follows the speech between 4 kHz and there."""
    if top_hz > 0.4 * SAMPLE_RATE_HZ:
        return samples
    band = signal.butter(4, (4000, 0.9 * top_hz), "bandpass", fs=SAMPLE_RATE_HZ, output="sos")
    smooth = signal.butter(1, 60, fs=SAMPLE_RATE_HZ, output="sos")
    envelope = np.sqrt(np.maximum(signal.sosfilt(smooth, signal.sosfilt(band, samples) ** 2), 0))
    above = signal.butter(4, 0.93 * top_hz, "highpass", fs=SAMPLE_RATE_HZ, output="sos")
    falling = signal.butter(1, 9000, fs=SAMPLE_RATE_HZ, output="sos")
    noise = np.random.default_rng(seed).standard_normal(len(samples))
    shaped = signal.sosfilt(falling, signal.sosfilt(above, noise))
    return samples + 0.8 * envelope * shaped
