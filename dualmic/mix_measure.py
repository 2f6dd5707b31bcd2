"""Measuring a finished mix: one pass over a mono, stereo, 5.0 or 5.1 programme."""

from collections.abc import Callable

import numpy as np

from dualmic.meters.loudness import (
    LoudnessMeter,
    integrated_lufs,
    max_momentary_lufs,
    max_short_term_lufs,
    programme_cells,
    range_lu,
    speech_lufs,
)
from dualmic.meters.mix_speech import MixSpeechMeter
from dualmic.meters.peaks import TruePeakMeter
from dualmic.meters.width import WidthMeter
from dualmic.mix import Layout, MixFacts, layout_of
from dualmic.record import Programme
from dualmic.recording import Recording
from dualmic.stack import Stack
from dualmic.tiles import (
    CELLS_PER_S,
    BadSamples,
    Floats,
    Powers,
    Span,
    cell_edges,
    cell_sums,
    spans,
)

CENTRE = 2  # channel of 5.0 and 5.1, counted from 0, that carries the dialogue
SILENCE_DBFS = -60.0  # our choice: RMS of 10 ms under which a programme has not begun


def measure_mix(recording: Recording, heard: Callable[[Span], None] | None = None) -> MixFacts:
    """Measure a finished mix in one pass over ``recording``; memory stays bounded.

    ``heard`` is called with every span as it passes, for a progress bar or further meters.

    Raises:
        UsageError: the number of channels is that of no known layout.

    """
    info = recording.info
    rate_hz = info.sample_rate_hz
    layout, weights = layout_of(len(info.channels))
    loudness, peaks = LoudnessMeter(rate_hz, len(weights)), TruePeakMeter(rate_hz, len(weights))
    width = WidthMeter(rate_hz) if layout == "stereo" else None
    speech = MixSpeechMeter(rate_hz)
    edges = cell_edges(rate_hz)
    loudest = Stack()
    frames = 0
    bad = BadSamples(np.zeros(len(weights), np.int64))
    for span in spans(recording.blocks(), rate_hz, bad):
        loudness.push(span)
        peaks.push(span)
        if width is not None:
            width.push(span)
        speech.push(dialogue_of(span.samples, layout))
        sums = cell_sums(span.samples**2, edges)
        loudest.add((sums / np.diff(edges)[: sums.shape[1]]).max(axis=0, keepdims=True))
        frames += span.frames
        if heard is not None:
            heard(span)
    cells = programme_cells(loudness.result().power, weights)
    spoken = speech.result()
    top = peaks.result()
    channel = int(top.true_peak.argmax())
    peak = float(top.true_peak[channel])
    head_s, tail_s = silent_ends_s(loudest.joined((1, 0))[0], frames / rate_hz)
    return MixFacts(
        layout=layout,
        duration_s=frames / rate_hz,
        sample_rate_hz=rate_hz,
        bit_depth=info.bit_depth,
        is_lossy=info.is_lossy,
        programme=Programme(
            integrated_lufs=_rounded(integrated_lufs(cells)),
            max_momentary_lufs=_rounded(max_momentary_lufs(cells)),
            max_short_term_lufs=_rounded(max_short_term_lufs(cells)),
            range_lu=_rounded(range_lu(cells)),
            true_peak_dbtp=_rounded(20.0 * np.log10(peak)) if peak > 0 else None,
        ),
        speech_lufs=_rounded(speech_lufs(cells, spoken)),
        speech_s=float(spoken.sum()) / CELLS_PER_S,
        head_silence_s=head_s,
        tail_silence_s=tail_s,
        mono_sum_db=None if width is None else _rounded(width.result().mono_sum_db()),
        true_peak_at_s=_rounded(top.frame[channel] / rate_hz) if peak > 0 else None,
        true_peak_channel=channel + 1 if peak > 0 else None,
        bad_samples=int(bad.count.sum()),
    )


def dialogue_of(samples: Floats, layout: Layout) -> Floats:
    """Return the one signal ``(frames,)`` that speech is looked for in.

    Dialogue sits in the centre: the middle of stereo; in 5.0 and 5.1 the centre channel, to which
    the middle of left and right is added for mixes that use those alone.
    """
    if layout == "mono":
        return samples[0]
    middle = 0.5 * (samples[0] + samples[1])
    return middle if layout == "stereo" else samples[CENTRE] + middle


def silent_ends_s(power: Powers, duration_s: float) -> tuple[float, float]:
    """Return how long it is silent before the first and after the last sound.

    ``power`` is the mean square of each 10 ms cell, of the loudest channel. A programme that is
    silent throughout has all its length at the head.
    """
    sound = np.flatnonzero(power > 10.0 ** (SILENCE_DBFS / 10.0))
    if not len(sound):
        return duration_s, 0.0
    tail_s = duration_s - float(sound[-1] + 1) / CELLS_PER_S
    return float(sound[0]) / CELLS_PER_S, round(max(0.0, tail_s), 3)


def _rounded(value: float | None) -> float | None:
    """Round for the record: a thousandth of a decibel or of a second."""
    return None if value is None else round(float(value), 3) + 0.0
