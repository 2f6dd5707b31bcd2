"""Sounds of a few milliseconds that stand far above everything just before and after them.

Each channel is band-passed (4 to 7.4 kHz: a voice is weak there, a crack is not, and recordings
reach that far) and thinned out to about 16 kHz in one step. Its power over 1 ms is compared with
the loudest millisecond in the 12 ms before it and in the 11 ms that begin 3 ms after it. A crack is
over by then; a plosive, a consonant and a lip smack are not, and the pulses of a voice repeat
within that time. Only what passes is kept: memory grows with the number of such sounds alone.

Some cracks take longer to die away, a link breaks into noise for some milliseconds, or a plug makes
contact several times, the first not the loudest. They are looked for once more: from what rises,
the loudest moment of the next 8 ms, with 10 ms in between after it (after the beginning of what is
as loud from then on), in which consonants and lips are over as well: what is found so has to be
proven.

The same is asked of the sound's second differences, in which what jumps from one sample to the next
stands out most: a crack under a loud hiss of the voice is found there, and what stands out a little
is asked once more without all that the sound around it foretells. How loud the voice's own
brightest sounds are in them is told along, for lips part sharply too, but far below those.
"""

from dataclasses import dataclass, replace

import numpy as np

from dualmic.meters.foretold import AROUND_S, unforetold_db
from dualmic.tiles import Floats, Mask, Span

LOW_HZ, HIGH_HZ = 4000.0, 7400.0
THINNED_HZ = 16000
HOP_S = 0.0005
# Our choices: how far before and after (in hops) a sound is compared with its surroundings: 22 hops
# on either side.
_BEFORE = (24, 3)
_AFTER = (6, 27)
_LATE = (20, 41)  # and what takes 10 ms to die away
# Our choices: of a plug the loudest contact comes within 8 ms (in hops) after the first, and in
# between it is 6 dB quieter than that; lips that part swell to their loudest at once.
_CONTACTS = 16
_SWELLS = 3  # our choice, in hops: contacts that follow at once make it loudest so much later
BETWEEN_DB = 6.0
BETWEEN_RATIO = 10 ** (BETWEEN_DB / 10)
# Our choices: one millisecond of even noise wanders by 5 dB; lips die away by 4 dB in 1.5 ms.
AT_ONCE_RATIO, BROKEN_RATIO = 10 ** (6.0 / 10), 10 ** (16.0 / 10)
_REACH = 22
_NEAR = 50  # 25 ms: a wireless link's latency (2 to 20 ms, common practice) and the way
KEPT_DB = 9.0  # findings ask for as much or more
KEPT_RATIO = 10 ** (KEPT_DB / 10)
# Our choice: what stands out in second differences a little, five times in a minute of simulated
# takes, is asked what of it was foretold.
MAYBE_RATIO = 10 ** (5.0 / 10)
KEPT_SLOW_RATIO = 10 ** (12.0 / 10)  # our choice, as what decays leaves more to compare with
_PAST = 2 * _NEAR + _BEFORE[0] + _CONTACTS + _LATE[1]
_TAPS_PER_STEP = 16
DIFFERENCES_HZ = 48_000
RECENT_S = 0.2  # of the last span: what is judged with the next one, and what is around that
# Our choices: levels of 10 ms in steps of 1 dB; sibilants take some per cent of speech.
HOPS_PER_LEVEL, LEVEL_STEPS, BRIGHT_SHARE = 20, 200, 0.02


@dataclass(frozen=True, slots=True)
class Transient:
    """One short sound: where its loudest millisecond begins, and how it stands out.

    ``power`` is its mean square over that millisecond in the band, ``over_db`` what it stands above
    the loudest millisecond around it; ``other_power`` and ``other_over_db`` the same of the loudest
    millisecond of the other channel within 25 ms. Where it was found in second differences, powers
    are of those, ``over_db`` is that of what nothing foretold, if it is more, and ``bright_power``
    is what the channel's brightest moments reach, else None. ``slow_over_db`` is the same with 10
    ms in between after it, ``contacts_over_db`` that of the loudest of several contacts, against
    what is before the first and after itself.
    """

    channel: int
    at_s: float
    power: float
    over_db: float
    other_power: float
    other_over_db: float
    bright_power: float | None = None
    slow_over_db: float = 0.0
    contacts_over_db: float = 0.0

    @property
    def lasting_over_db(self) -> float:
        """How far it stands out though it takes a while: it dies away, or touches again."""
        return max(self.slow_over_db, self.contacts_over_db)


class TransientMeter:
    """Feeds on spans of two channels, keeps their short sounds."""

    def __init__(self, rate_hz: int) -> None:
        """Design the filter for ``rate_hz``."""
        self._step = max(1, rate_hz // THINNED_HZ)
        rate = rate_hz / self._step
        self._hop = max(1, round(HOP_S * rate))
        self._block = _TAPS_PER_STEP * self._step
        self._matrix = _thinning(rate_hz, self._step)
        self._rest = self._block
        self._thin = np.zeros((2, 0), np.float32)
        self._band = _Standing(self._hop / rate)
        # Far over the audible range a second difference would hear nothing else.
        self._apart = max(1, round(rate_hz / DIFFERENCES_HZ))
        self._edge_hop = max(1, round(HOP_S * rate_hz))
        self._left = 2 * self._apart
        self._edges = _Standing(self._edge_hop / rate_hz, MAYBE_RATIO)
        self._rate_hz, self._frames = rate_hz, 0
        self._recent = round(RECENT_S * rate_hz)
        self._levels = np.zeros((2, LEVEL_STEPS), np.int64)

    def push(self, span: Span) -> None:
        """Take in the next span; what lies in its last 40 ms is judged with the next one."""
        self._add(span)
        self._add_differences(span)

    def _add(self, span: Span) -> None:
        long = span.since(self._rest)
        blocks = long.shape[1] // self._block
        self._rest = long.shape[1] - (blocks - 1) * self._block
        if blocks < 2:
            return
        shaped = long[:, : blocks * self._block].reshape(2, blocks, self._block)
        made = shaped[:, :-1] @ self._matrix[: self._block]
        made += shaped[:, 1:] @ self._matrix[self._block :]
        thin = np.concatenate([self._thin, made.reshape(2, -1)], axis=1)
        hops = thin.shape[1] // self._hop
        self._thin = thin[:, hops * self._hop :]
        self._band.push(_hop_powers(thin, self._hop))

    def _add_differences(self, span: Span) -> None:
        long = span.since(self._left)
        apart = self._apart
        steps = long[:, apart:] - long[:, :-apart]
        bends = steps[:, apart:] - steps[:, :-apart]
        hops = bends.shape[1] // self._edge_hop
        used = hops * self._edge_hop
        self._left = long.shape[1] - used
        power = _hop_powers(bends, self._edge_hop)
        whole = power[:, : hops // HOPS_PER_LEVEL * HOPS_PER_LEVEL]
        mean = whole.reshape(2, -1, HOPS_PER_LEVEL).mean(axis=2)
        step = np.clip(np.round(-10 * np.log10(mean + 1e-20)), 0, LEVEL_STEPS - 1).astype(np.int64)
        for channel in (0, 1):
            self._levels[channel] += np.bincount(step[channel], minlength=LEVEL_STEPS)
        known = len(self._edges.found)
        self._edges.push(power)
        self._foretell(span, known)

    def _foretell(self, span: Span, known: int) -> None:
        """Ask what was just found, all but the first ``known``, what of it was foretold."""
        recent = span.since(self._recent)
        begin = self._frames - self._recent
        self._frames += span.frames
        found = self._edges.found
        new = found[known:]
        del found[known:]
        around = round(AROUND_S * self._rate_hz / self._apart) * self._apart
        for short in new:
            at = round(short.at_s * self._rate_hz) - begin
            sound = recent[short.channel, max(at - around, 0) : at + around : self._apart]
            middle, hop = min(at, around) // self._apart, self._edge_hop // self._apart
            over_db = max(short.over_db, unforetold_db(sound, middle, hop))
            if max(over_db, short.lasting_over_db) >= KEPT_DB:
                found.append(replace(short, over_db=over_db))

    def result(self) -> list[Transient]:
        """Return the short sounds so far, in order of time and channel."""
        bright = [_reached(levels) for levels in self._levels]
        edges = [replace(found, bright_power=bright[found.channel]) for found in self._edges.found]
        return sorted([*self._band.found, *edges], key=lambda found: (found.at_s, found.channel))


class _Standing:
    """Compares each millisecond of two channels' powers with what is around it."""

    def __init__(self, hop_s: float, kept_ratio: float = KEPT_RATIO) -> None:
        self._hop_s, self._kept = hop_s, kept_ratio
        self._power = np.full((2, _PAST), 1e-12)
        # The hop number of the first column of ``_power``.
        self._first = -_PAST
        self.found: list[Transient] = []

    def push(self, new: np.ndarray) -> None:
        """Take in powers of the next hops, ``(2, hops)``."""
        power = np.concatenate([self._power, new], axis=1)
        mean = (power[:, :-1] + power[:, 1:]) / 2
        count = mean.shape[1]
        first, last = _NEAR + _BEFORE[0] + _CONTACTS, count - _NEAR - _LATE[1]
        if last > first:
            self._keep(mean, _loudest(mean), first, last)
        self._first += power.shape[1] - _PAST
        self._power = power[:, -_PAST:]

    def _keep(self, mean: np.ndarray, around: np.ndarray, first: int, last: int) -> None:
        """Note what stands out; ``around`` is the loudest of the hops from each one on."""
        for channel in (0, 1):
            row, loudest_from = mean[channel], around[channel]
            begin = first - _CONTACTS
            earlier = loudest_from[begin - _BEFORE[0] : last - _BEFORE[0]]
            # Few stand out from what was before: only there it is asked what comes after.
            some = begin + np.flatnonzero(row[begin:last] >= self._kept * earlier)
            before_all = loudest_from[some - _BEFORE[0]]
            course = row[some[:, None] + np.arange(_LATE[0] + _SWELLS + 1)]
            top = some + course[:, : _SWELLS + 1].argmax(axis=1)
            quick = row[top] / (np.maximum(before_all, loudest_from[top + _AFTER[0]]) + 1e-13)
            later = course[:, : _CONTACTS + 1]
            loudest = later.argmax(axis=1)
            # Between two contacts it is quiet; what merely swells to its loudest was no contact.
            least = np.minimum.accumulate(later, axis=1)[np.arange(len(some)), loudest]
            touches = least <= row[some] / BETWEEN_RATIO
            # A burst begins and ends at once, within 10 ms; its loudest may be anywhere in it.
            most = row[some + loudest]
            is_burst = (row[top] >= most / AT_ONCE_RATIO) & _breaks_off(course, most)
            peak = np.where(touches | is_burst, some + loudest, some)
            after = np.where(touches, peak, some) + _LATE[0]
            slow = row[peak] / (np.maximum(before_all, loudest_from[after]) + 1e-13)
            told = {int(at): 0.0 for at in top[quick >= self._kept]}
            lasting = slow >= KEPT_SLOW_RATIO
            for at, ratio in zip(peak[lasting], slow[lasting], strict=True):
                told[int(at)] = max(told.get(int(at), 0.0), float(ratio))
            for at, contacts in sorted(told.items()):
                before, late = loudest_from[at - _BEFORE[0]], loudest_from[at + _LATE[0]]
                # What stands before it is asked of where it begins to swell.
                at_first = min([before, *before_all[top == at][:1]])
                quickly = row[at] / (max(at_first, loudest_from[at + _AFTER[0]]) + 1e-13)
                slowly = row[at] / (max(before, late) + 1e-13)
                # Noise that dies away has many peaks: its loudest is the crack.
                reach = 2 if quickly >= self._kept else _LATE[0]
                if not first <= at < last or row[at] < row[at - reach : at + reach + 1].max():
                    continue
                near = slice(at - _NEAR, at + _NEAR + 1)
                other = mean[1 - channel, near]
                there = int(np.argmax(other))
                # A burst's leak, too, began before its loudest moment.
                since = at - int(some[is_burst & (peak == at)].min(initial=at))
                quiet = around[1 - channel, near.start - _BEFORE[0] + there - since]
                stands_there = other[there] / (quiet + 1e-13)
                self.found.append(
                    Transient(
                        channel,
                        max(float((self._first + at) * self._hop_s), 0.0),
                        float(row[at]),
                        float(10 * np.log10(max(quickly, 1.0))),
                        float(other[there]),
                        float(10 * np.log10(stands_there + 1e-13)),
                        slow_over_db=float(10 * np.log10(max(slowly, 1.0))),
                        contacts_over_db=float(10 * np.log10(max(contacts, 1.0))),
                    )
                )


def _breaks_off(course: np.ndarray, most: np.ndarray) -> Mask:
    """Whether courses ``(sounds, hops)`` fall from near ``most`` as fast as they may swell."""
    near = course[:, :-_SWELLS] >= most[:, None] / AT_ONCE_RATIO
    last = near.shape[1] - 1 - near[:, ::-1].argmax(axis=1)
    broken: Mask = course[np.arange(len(most)), last + _SWELLS] <= most / BROKEN_RATIO
    return broken


def _hop_powers(samples: Floats, hop: int) -> np.ndarray:
    """Return the mean square of each whole hop, ``(2, hops)``."""
    hops = samples.shape[1] // hop
    cut = samples[:, : hops * hop].reshape(2, hops, hop)
    return (np.square(cut) @ np.ones(hop, np.float32)).astype(np.float64) / hop


def _reached(levels: np.ndarray) -> float:
    """Return the power that a small share of all moments reaches."""
    total = np.cumsum(levels)
    step = int(np.searchsorted(total, BRIGHT_SHARE * max(int(total[-1]), 1)))
    return float(10 ** (-step / 10))


def _loudest(mean: np.ndarray) -> np.ndarray:
    """Return the largest of the 22 values from each one on, by doubling the reach."""
    reach, large = 1, mean
    while 2 * reach <= _REACH:
        large = np.maximum(large[:, :-reach], large[:, reach:])
        reach *= 2
    rest = _REACH - reach
    return np.maximum(large[:, : large.shape[1] - rest], large[:, rest:])


def _thinning(rate_hz: int, step: int) -> Floats:
    """Return the filter as a matrix: two blocks of samples times it are 16 thinned-out samples.

    A Hann-windowed band-pass of 16 taps a step (about 1 ms), so that aliases lie 40 dB down.
    """
    taps = _TAPS_PER_STEP * step
    time_s = (np.arange(taps) - (taps - 1) / 2) / rate_hz
    high, low = min(HIGH_HZ, 0.45 * rate_hz), LOW_HZ
    ideal = 2 * high * np.sinc(2 * high * time_s) - 2 * low * np.sinc(2 * low * time_s)
    kernel = ideal * np.hanning(taps + 2)[1:-1] / rate_hz
    matrix = np.zeros((2 * taps, _TAPS_PER_STEP))
    for row in range(_TAPS_PER_STEP):
        matrix[row * step : row * step + taps, row] = kernel
    return matrix.astype(np.float32)
