"""Who says what when: questions, answers, pauses, short assents under answers, interruptions."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import signal

from scenes.levels import FRAME
from scenes.model import FRAME_S, ROLES, SAMPLE_RATE_HZ, Samples, Utterance
from scenes.speech import Speaker, activity, clip, utterance_count

Generator = np.random.Generator


@dataclass
class Dialogue:
    """Dry speech ``voice[role]`` (frames,) with unit active RMS, and when it is voiced."""

    voice: dict[str, Samples]
    active: dict[str, npt.NDArray[np.bool_]]
    utterances: list[Utterance]


def interview(
    rng: Generator,
    speakers: dict[str, Speaker],
    duration_s: float,
    *,
    assents: bool = True,
    interruptions: int = 0,
    interviewer_share: float = 1.0,
) -> Dialogue:
    """Draw an interview of ``duration_s``.

    Args:
        rng: what is drawn from.
        speakers: the person in each role.
        duration_s: how long the take is.
        assents: whether the interviewer says "mm" under answers.
        interruptions: how many times the interviewer talks over an answer for 1.5 to 4 s.
        interviewer_share: 1 asks normally; below it, that share of the questions is asked.

    """
    frames = round(duration_s / FRAME_S)
    talk = _Talk(rng, speakers, frames)
    at = rng.uniform(1.0, 3.0)
    answers: list[tuple[float, float]] = []
    while at < duration_s - 8:
        if rng.uniform() < interviewer_share:
            at = talk.say("interviewer", at, rng.uniform(2, 7), "question")
            at += rng.uniform(0.2, 2.0)
        start = at
        room_left = duration_s - 1.5 - at
        at = talk.say("subject", at, min(rng.uniform(5, 32), room_left), "answer")
        answers.append((start, at))
        at += rng.uniform(0.25, 2.0)
    if assents:
        for start, end in answers:
            for _ in range(int((end - start) / 9)):
                talk.assent(rng.uniform(start + 2, end - 1))
    long_enough = [(start, end) for start, end in answers if end - start > 7]
    for number in range(min(interruptions, 2 * len(long_enough))):
        start, end = long_enough[number % len(long_enough)]
        middle = (start + end) / 2
        low, high = (start + 1, middle - 2) if number < len(long_enough) else (middle, end - 3.5)
        if high > low:
            talk.say("interviewer", rng.uniform(low, high), rng.uniform(1.5, 3.0), "interruption")
    return Dialogue(talk.voice, talk.active, sorted(talk.utterances, key=lambda u: u.start_s))


class _Talk:
    def __init__(self, rng: Generator, speakers: dict[str, Speaker], frames: int) -> None:
        self.rng, self.speakers, self.frames = rng, speakers, frames
        self.voice = {role: np.zeros(frames * FRAME, np.float32) for role in ROLES}
        self.active = {role: np.zeros(frames, bool) for role in ROLES}
        self.utterances: list[Utterance] = []

    def say(self, role: str, at_s: float, length_s: float, kind: str) -> float:
        """Speak for about ``length_s`` from ``at_s``; return when the last word ends."""
        at = begin = round(at_s / FRAME_S)
        until = begin + round(length_s / FRAME_S)
        end = begin
        effort = 10 ** (self.rng.uniform(-1.5, 1.5) / 20)
        while at < until:
            speaker = self.speakers[role]
            said = clip(speaker, int(self.rng.integers(utterance_count(speaker))))
            if said is None:
                continue
            size = min(len(said.active), until + 40 - at, self.frames - 20 - at)
            if size < 20:
                break
            samples, active = said.samples[: size * FRAME].copy(), said.active[:size].copy()
            if size < len(said.active):
                self._fade(samples, active)
            end = self._put(role, at, samples * np.float32(effort), active)
            at += size + round(self.rng.uniform(0.12, 0.9) / FRAME_S)
        if end > begin:
            first = begin + int(np.argmax(self.active[role][begin:end]))
            self.utterances.append(Utterance(role, first * FRAME_S, end * FRAME_S, kind))
        return end * FRAME_S

    def assent(self, at_s: float) -> None:
        """Hum "mm": a voiced piece of the interviewer's own speech, its top taken off."""
        speaker = self.speakers["interviewer"]
        said = clip(speaker, int(self.rng.integers(utterance_count(speaker))))
        begin = round(at_s / FRAME_S)
        size = int(self.rng.integers(22, 45))
        around = slice(max(begin - 60, 0), begin + size + 60)
        if said is None or self.active["interviewer"][around].any():
            return
        total = np.cumsum(said.samples**2, dtype=float)
        loudest = int(np.argmax(total[size * FRAME :] - total[: -size * FRAME]))
        piece = said.samples[loudest : loudest + size * FRAME].copy()
        closed_lips = signal.butter(2, 700, fs=SAMPLE_RATE_HZ, output="sos")
        piece = signal.sosfilt(closed_lips, piece) * np.hanning(len(piece)) ** 0.5
        piece *= 0.6 / max(float(np.sqrt(np.mean(piece**2))), 1e-9)
        end = self._put("interviewer", begin, piece.astype(np.float32), activity(piece))
        self.utterances.append(Utterance("interviewer", begin * FRAME_S, end * FRAME_S, "assent"))

    def _put(self, role: str, at: int, samples: Samples, active: npt.NDArray[np.bool_]) -> int:
        size = min(len(active), self.frames - at, len(samples) // FRAME)
        self.voice[role][at * FRAME : (at + size) * FRAME] += samples[: size * FRAME]
        self.active[role][at : at + size] |= active[:size]
        voiced = np.flatnonzero(active[:size])
        return at + (int(voiced[-1]) + 1 if len(voiced) else 0)

    @staticmethod
    def _fade(samples: Samples, active: npt.NDArray[np.bool_]) -> None:
        length = min(8 * FRAME, len(samples))
        samples[-length:] *= np.linspace(1, 0, length, dtype=np.float32)
        active[-4:] = False
