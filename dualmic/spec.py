"""The structs of a delivery spec: what is asked of a take or a mix, each number with its source.

Every limit is a small table of up to two numbers and a source. A value at a limit is inside it.
"""

from typing import Annotated, ClassVar, Literal

import msgspec

Text = Annotated[str, msgspec.Meta(min_length=1)]
# Wide enough for any delivery; a value outside is a slip of the pen (+16 for -16, say).
Lufs = Annotated[float, msgspec.Meta(ge=-60.0, le=0.0)]
Positive = Annotated[float, msgspec.Meta(gt=0.0)]


class Limit(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A limit for warning and one for failing, either of which may be absent, and their source.

    The TOML keys carry the unit: ``warn_db``, ``fail_ms`` and so on.
    """

    unit: ClassVar[str] = ""
    source: Text
    warn: float | None = None
    fail: float | None = None


class LimitDb(Limit, frozen=True, kw_only=True):
    """A limit in dB."""

    unit: ClassVar[str] = "dB"
    warn: float | None = msgspec.field(default=None, name="warn_db")
    fail: float | None = msgspec.field(default=None, name="fail_db")


class LimitMs(Limit, frozen=True, kw_only=True):
    """A limit in milliseconds."""

    unit: ClassVar[str] = "ms"
    warn: float | None = msgspec.field(default=None, name="warn_ms")
    fail: float | None = msgspec.field(default=None, name="fail_ms")


class LimitS(Limit, frozen=True, kw_only=True):
    """A limit in seconds."""

    unit: ClassVar[str] = "s"
    warn: float | None = msgspec.field(default=None, name="warn_s")
    fail: float | None = msgspec.field(default=None, name="fail_s")


class LimitLu(Limit, frozen=True, kw_only=True):
    """A limit in loudness units."""

    unit: ClassVar[str] = "LU"
    warn: float | None = msgspec.field(default=None, name="warn_lu")
    fail: float | None = msgspec.field(default=None, name="fail_lu")


class LimitLufs(Limit, frozen=True, kw_only=True):
    """A limit in LUFS."""

    unit: ClassVar[str] = "LUFS"
    warn: float | None = msgspec.field(default=None, name="warn_lufs")
    fail: float | None = msgspec.field(default=None, name="fail_lufs")


class LimitHz(Limit, frozen=True, kw_only=True):
    """A limit in hertz."""

    unit: ClassVar[str] = "Hz"
    warn: float | None = msgspec.field(default=None, name="warn_hz")
    fail: float | None = msgspec.field(default=None, name="fail_hz")


class LimitBit(Limit, frozen=True, kw_only=True):
    """A limit in bits a sample."""

    unit: ClassVar[str] = "bit"
    warn: float | None = msgspec.field(default=None, name="warn_bit")
    fail: float | None = msgspec.field(default=None, name="fail_bit")


class ProgrammeTarget(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The loudness a programme is brought to, and how far it may lie off.

    ``measured_on`` is ``"programme"`` (everything) or ``"speech"`` (spoken stretches alone);
    ``mono_target_lufs`` holds for a one-channel file where it differs.
    """

    measured_on: Literal["programme", "speech"]
    target_lufs: Lufs
    mono_target_lufs: Lufs | None = None
    warn_beyond_lu: Positive | None = None
    fail_beyond_lu: Positive
    source: Text


class TruePeakLimit(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The highest true peak allowed (ITU-R BS.1770-5 annex 2)."""

    max_dbtp: Annotated[float, msgspec.Meta(ge=-40.0, le=6.0)]
    source: Text


class TakeLimits(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Limits for a raw take after gain; an absent one is not asked for."""

    clipping: LimitMs | None = None
    dropout: LimitMs | None = None
    speech_to_noise: LimitDb | None = None
    crosstalk: LimitDb | None = None
    loud_moments: LimitDb | None = None
    gain: LimitDb | None = None
    gain_16_bit: LimitDb | None = None
    hum: LimitDb | None = None
    mono_ripple: LimitDb | None = None
    open_mics_noise: LimitDb | None = None
    mic_dead: LimitS | None = None
    dual_mono: LimitS | None = None
    sample_rate: LimitHz | None = None
    bit_depth: LimitBit | None = None


class MixLimits(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Limits for a finished mix beside loudness and true peak; an absent one is not asked for."""

    loudness_range: LimitLu | None = None
    short_term_max: LimitLufs | None = None
    mono_sum: LimitDb | None = None
    head_silence: LimitS | None = None
    tail_silence: LimitS | None = None
    sample_rate: LimitHz | None = None
    bit_depth: LimitBit | None = None


# Limits that are floors: the value must not fall under them. All others are ceilings.
FLOORS = frozenset({"speech_to_noise", "hum", "mono_sum", "sample_rate", "bit_depth"})


class Spec(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One delivery; ``name`` is the file's name without ``.toml``."""

    name: Text
    title: Text
    summary: str = ""
    programme: ProgrammeTarget
    true_peak: TruePeakLimit
    take: TakeLimits = TakeLimits()
    mix: MixLimits = MixLimits()
