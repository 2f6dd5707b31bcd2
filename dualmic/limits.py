"""What the deliveries asked for mean for the list of problems: the strictest limit of each kind."""

from collections.abc import Iterable, Mapping, Sequence

from dualmic.delivery import take_gains_db, voice_target_lufs
from dualmic.findings import Limits
from dualmic.meters.loudness import ABSOLUTE_GATE_LUFS
from dualmic.record import MIC_ROLES, Mic, MicRole
from dualmic.recording import RecordingInfo
from dualmic.spec import Spec


def strictest_limits(
    specs: Sequence[Spec], mics: Mapping[MicRole, Mic], info: RecordingInfo
) -> Limits:
    """Gather the strictest limits of the deliveries, and each microphone's gain to them."""
    coarse = info.is_lossy or not (info.is_float or (info.bit_depth or 0) > 16)
    takes = [spec.take for spec in specs]
    gains = [take_gains_db(spec, mics) for spec in specs]
    needed: list[float | None] = []
    for role in MIC_ROLES:
        needed.append(max(_known(gain.get(role) for gain in gains), default=None))
    one, two = needed
    apart = one - two if one is not None and two is not None else None
    noise = [t.speech_to_noise for t in takes if t.speech_to_noise]
    leaks = [t.crosstalk for t in takes if t.crosstalk]
    lifts = [t.gain_16_bit if coarse else t.gain for t in takes]
    return Limits(
        noise_warn_db=max(_known(limit.warn for limit in noise), default=None),
        noise_fail_db=max(_known(limit.fail for limit in noise), default=None),
        crosstalk_warn_db=min(_known(limit.warn for limit in leaks), default=None),
        gain_warn_db=min(_known(limit.warn for limit in lifts if limit), default=None),
        gain_fail_db=min(_known(limit.fail for limit in lifts if limit), default=None),
        gain_db=(one, two),
        least_gain_db=max(
            (voice_target_lufs(spec) - ABSOLUTE_GATE_LUFS for spec in specs), default=None
        ),
        levelled_db=(apart, None if apart is None else -apart),
    )


def _known(values: Iterable[float | None]) -> list[float]:
    return [value for value in values if value is not None]


def lenient_fail_db(specs: Sequence[Spec]) -> float | None:
    """Return the speech-to-noise under which a take fails every delivery."""
    limits = [spec.take.speech_to_noise for spec in specs]
    return min(_known(limit.fail for limit in limits if limit), default=None)
