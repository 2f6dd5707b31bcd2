"""Delivery specs as text: the list of them, one with the source of every limit, one as TOML."""

import textwrap
from collections.abc import Iterator

import msgspec

from dualmic.spec import FLOORS, Limit, MixLimits, TakeLimits
from dualmic.specs_file import load_spec, shipped_specs, shipped_toml

WIDTH = 80

# What each limit is about, in the order of the spec's own file.
TAKE_WORDS = {
    "clipping": "clipped time in one answer",
    "dropout": "lost sound in one answer",
    "speech_to_noise": "speech over background, A-weighted",
    "crosstalk": "the other voice, microphones levelled",
    "loud_moments": "loud moments over the peak limit",
    "gain": "gain needed, 24 bit or float",
    "gain_16_bit": "gain needed, 16 bit or compressed",
    "hum": "mains hum under the speech",
    "mono_ripple": "ripple of the mono sum",
    "open_mics_noise": "background of both microphones open",
    "mic_dead": "microphone silent while its wearer talks",
    "dual_mono": "both channels carry one microphone",
    "sample_rate": "sample rate",
    "bit_depth": "bit depth",
}
MIX_WORDS = {
    "loudness_range": "loudness range",
    "short_term_max": "loudest three seconds",
    "mono_sum": "level of the mono sum",
    "head_silence": "silence at the head",
    "tail_silence": "silence at the tail",
    "sample_rate": "sample rate",
    "bit_depth": "bit depth",
}
CLOSING = "These are limits to measure against, not an acceptance: the client's own document rules."


def specs_list_text() -> str:
    """Return one line for every shipped spec, and how to see more."""
    specs = shipped_specs()
    wide = max(len(spec.name) for spec in specs)
    lines = [
        f"{spec.name:{wide}}  {spec.programme.target_lufs:g} LUFS, "
        f"{spec.true_peak.max_dbtp:g} dBTP   {spec.summary}"
        for spec in specs
    ]
    lines += [
        "",
        "dualmic specs NAME shows one with the source of each limit;",
        "dualmic specs NAME --toml prints it as a start for a file of your own.",
    ]
    return "\n".join(lines) + "\n"


def spec_text(name_or_path: str) -> str:
    """Return every limit of a spec, shipped or one's own, with its source under it.

    Raises:
        SettingsError: there is no such spec, or it is wrong.

    """
    spec = load_spec(name_or_path)
    asked = spec.programme
    lines = [f"{spec.title} ({spec.name})"]
    lines += [spec.summary] if spec.summary else []
    lines += ["", "Every delivery"]
    what = "of the speech" if asked.measured_on == "speech" else "of the programme"
    tolerance = f"fail beyond ±{asked.fail_beyond_lu:g} LU"
    if asked.warn_beyond_lu is not None:
        tolerance = f"warn beyond ±{asked.warn_beyond_lu:g}, {tolerance}"
    lines += _row(f"loudness {what}: {asked.target_lufs:g} LUFS", tolerance, asked.source)
    if asked.mono_target_lufs is not None:
        lines += _row(f"  in a mono file: {asked.mono_target_lufs:g} LUFS", tolerance, "")
    peak = f"fail over {spec.true_peak.max_dbtp:g} dBTP"
    lines += _row("true peak", peak, spec.true_peak.source)
    lines += ["", "A raw take, after the gain that brings its speech to the target"]
    lines += _rows(spec.take, TAKE_WORDS)
    lines += ["", "A finished mix"]
    lines += _rows(spec.mix, MIX_WORDS)
    lines += ["", *textwrap.wrap(CLOSING, WIDTH)]
    return "\n".join(lines) + "\n"


def spec_toml_text(name: str) -> str:
    """Return a shipped spec's own file, as a start for one's own.

    Raises:
        SettingsError: no shipped spec has that name.

    """
    return (
        "# Save as my-client.toml, change what differs, and use it with --for my-client.toml.\n"
        f'# With extends = "{name}" alone at the top, a file need hold only what differs.\n\n'
        f"{shipped_toml(name)}"
    )


def _rows(limits: TakeLimits | MixLimits, words: dict[str, str]) -> Iterator[str]:
    for field in msgspec.structs.fields(limits):
        limit = getattr(limits, field.name)
        if limit is not None:
            yield from _row(words[field.name], _limit_words(field.name, limit), limit.source)


def _limit_words(name: str, limit: Limit) -> str:
    side = "under" if name in FLOORS else "over"
    words = []
    for what, value in (("warn", limit.warn), ("fail", limit.fail)):
        if value == 0 and limit.unit == "s":
            words.append(f"{what} if it happens at all")
        elif value is not None:
            words.append(f"{what} {side} {value:g} {limit.unit}")
    return ", ".join(words)


def _row(what: str, limit: str, source: str) -> list[str]:
    lines = [f"  {what:42} {limit}"]
    if source:
        lines += textwrap.wrap(source, WIDTH, initial_indent="      ", subsequent_indent="      ")
    return lines
