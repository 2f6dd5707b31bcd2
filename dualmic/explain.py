"""Why a problem is one: what was measured, what it is held against, and where that comes from.

Every threshold has one home, a module's constant with its reason beside it; this table only says
which of them a kind of problem rests on, and reads their values where they live. Limits of a
delivery come with their source from the record's own checks.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from importlib import import_module

from dualmic.record import Check, Problem, TakeRecord

OURS = "our choice"
"""Who says so: what standards and deliveries limit is in a delivery's checks, with its source."""


@dataclass(frozen=True)
class Threshold:
    """A constant of a module, and what it means in words, in which ``{}`` is its value."""

    module: str
    name: str
    says: str

    def line(self) -> str:
        """Return the threshold in one sentence."""
        value = getattr(import_module(f"dualmic.{self.module}"), self.name)
        return f"{self.says.format(value)} ({OURS})"


@dataclass(frozen=True)
class Rule:
    """How a kind of problem is told, the thresholds it rests on, and the delivery's check of it."""

    told_by: str
    thresholds: tuple[Threshold, ...] = ()
    check: str | None = None


def _of(module: str, **says: str) -> tuple[Threshold, ...]:
    return tuple(Threshold(module, name, words) for name, words in says.items())


RULES: dict[str, Rule] = {
    "clipping": Rule(
        "tops held flat at a ceiling that many tops share, or tops rounded there",
        _of(
            "meters.clipping",
            LEAST_RUN="a top is flat for {} equal samples or more",
            COARSE_RUN="or for {} that a converter's noise parts by less than 2^-13",
            FULL_SCALE="full scale begins at {:g} of it: converters stop a few steps short",
            SHARED_RUNS="below full scale, {} tops share a ceiling",
            QUIETEST_CEILING_DBFS="no ceiling is looked for under {:g} dBFS",
        )
        + _of(
            "meters.top_ceilings",
            SQUARE_CELLS="or {} of 10 ms have square tops at one level",
            RIPPLED_TURNS="or wide ones there ripple {:g} times as often as lower ones",
        )
        + _of(
            "meters.corners",
            CORNER_TIMES="or tops bend {:g} times as sharply at both ends as in between",
            LEAST_CELLS="in {} of 10 ms and more within ten seconds",
        )
        + _of("meters.rounded_tops", LEAST_CELLS="rounded: {:g} peaks or more near one level"),
        "clipping",
    ),
    "dropout": Rule(
        "silence, one value held, or a receiver's own hiss, in a channel with a background",
        _of("meters.continuity", SHORTEST_S="from {:g} s on: shorter runs occur in whole sound")
        + _of("findings.dropouts", CUT_DB="sound beside it stood {:g} dB over the background")
        + _of("meters.faint", UNDER_DB="hiss lies {:g} dB or more under the background")
        + _of(
            "findings.hiss",
            HISS_UNDER_DB="and {:g} dB under all else the microphone holds, or",
            GOES_ON_DB="the voice torn off stays {:g} dB over noise in the other microphone",
        )
        + _of("findings.holes", UNDER_DB="or between words it falls {:g} dB under its own pauses"),
        "dropout",
    ),
    "mic_dead": Rule(
        "its wearer talks, by the other microphone, and here is neither voice nor leak",
        _of("dead_mics", LEAST_S="for {:g} s or more where it is silent")
        + _of(
            "deaf_mics",
            DEAF_LEAST_S="for {:g} s or more where it holds a background",
            CLEAR_DB="the leak that is missed would stand {:g} dB over the noise",
            NEAR_LEAK_DB="a leak of {:g} dB, where nothing was ever heard and",
            EVEN_DB="its level stays within {:g} dB",
            USUAL_FROM="elsewhere what could be heard of a leak was, in {:g} of the time",
            WORDS_SHARE="{:g} of what it misses are words, no cloth or wind on the other",
        )
        + _of(
            "fallen_mics",
            LOUD_FALL_DB="or all that it holds has fallen: what is loud by {:g} dB",
            QUIET_FALL_DB="and what is quiet, in it alone, by {:g} dB",
        ),
        "mic_dead",
    ),
    "dual_mono": Rule(
        "what the best gain of one channel leaves of the other",
        _of(
            "meters.width",
            DUAL_MONO_DB="less than {:g} dB is left",
            DUAL_MONO_TILES="for {} tenths of a second",
        ),
        "dual_mono",
    ),
    "one_place": Rule(
        "both people are equally loud in both channels and arrive together",
        _of(
            "findings.talk",
            ONE_PLACE_SPREAD_DB="level differences within {:g} dB of each other",
            SURELY_ONE_PLACE_DB="a note over {:g} dB",
            ONE_PLACE_DELAY_MS="arrivals within {:g} ms: no wider than a camera's own pair",
            CAMERA_DELAY_MS="of one person alone, a note over {:g} ms",
        ),
    ),
    "polarity": Rule(
        "both directions' cross-correlations (Knapp & Carter 1976) have a main peak below zero",
        _of(
            "meters.crosstalk",
            SECOND_PEAK="and no second peak over {:g} of the main one",
            ONE_SIDED="or most of the curve below zero, its cubes adding up to {:g} of their sizes",
            OTHER_SIGN="one direction is enough where the other swings up by {:g} of its main peak",
        ),
    ),
    "crosstalk": Rule(
        "level of one voice, alone, in the other microphone: over the noise there, levelled",
        _of("meters.crosstalk", SECTION_S="judged in sections of about {:g} s of speech")
        + _of(
            "findings.pairing",
            SURELY_OVER_DB="a section over the limit by less than {:g} dB, or in which the "
            "background changes, is a note",
        )
        + _of("findings.doubts", LOUD_PLACE_DB="so it is where speech is under {:g} dB over noise"),
        "crosstalk",
    ),
    "noise": Rule(
        "own speech, noise removed, over the background of the pauses, both A-weighted",
        _of(
            "meters.noise",
            LEAST_S="from {:g} s of pauses or more",
            BURST_DB="without what stands {:g} dB out of them",
            LONGEST_BURST_S="for {:g} s or less",
        )
        + _of(
            "findings.background",
            QUIETEST_PERCENTILE="without them, over what {:g} % of the take stay under",
        )
        + _of(
            "findings.passing",
            OVER_LEAK_DB="what goes by is heard by the other microphone {:g} dB over the leak",
            MOST_ALIKE="and moves with the words by less than {:g}",
        ),
        "speech_to_noise",
    ),
    "low_level": Rule(
        "the gain that brings the speech to the delivery, where it lifts noise into hearing",
        check="gain",
    ),
    "hum": Rule(
        "a steady tone of 45 to 65 Hz and its multiples over the noise beside them",
        _of("meters.hum", HEARD_LINE_DB="a line stands {:g} dB over the noise around it")
        + _of(
            "findings.hums",
            HUM_UNDER_SPEECH_DB="and no more than {:g} dB under the speech",
        )
        + _of("findings.doubts", LEAST_HUM_S="a note within {:g} s where no grid has its pitch"),
        "hum_after_gain",
    ),
    "wind": Rule(
        "a burst below 100 Hz, longer than a plosive, not heard alike by the other microphone",
        _of(
            "unwanted",
            WIND_OVER_USUAL_DB="{:g} dB over what the microphone usually holds there",
            WIND_UNDER_VOICE_DB="less than {:g} dB under its wearer's voice",
            WIND_SHORTEST_S="for {:g} s or more",
            LEAST_BLOWS="or {} knocks or puffs, each more than the voice under it",
            BLOWS_ON_S="or up for {:g} s without a gap, as no voice keeps its low end",
        )
        + _of(
            "findings.low_bursts",
            STEEP_DB="cloth if it holds cloth and from 1 to 3.15 kHz is less than {:g} dB under it",
            SHORT_S="a crack if within {:g} s it rises at once, unheard by the other microphone",
        )
        + _of("findings.base", ENDS_S="a note if the background changes within {:g} s of its ends"),
    ),
    "click": Rule(
        "a sound of milliseconds, far above just before and after it, there alone",
        _of(
            "cracking",
            CLICK_DB="{:g} dB over its surroundings from 4 to 7.4 kHz: lips stay under 15 dB",
            EDGE_DB="or {:g} dB from sample to sample, or once what sounds before and after it "
            "foretells is taken out, and brighter than any consonant",
            PROVEN_MISSING_DB="or less, where {:g} dB of the leak a voice would make is missing",
            SLOW_MAYBE_DB="or {:g} dB where it takes 10 ms to die away, or less with leak missing",
            UNHEARD_CLICK_DB="{:g} dB where no leak of it could be heard in the other microphone",
            ABRUPT_DB="or, however faint, {:g} dB within milliseconds: breaths stay under it",
            HEARD_THERE_DB="in the other microphone nothing stands out by {:g} dB",
            MAY_LEAK_DB="what stands out there by {:g} dB may be its leak: then it is a note",
            MAY_LEAK_MISSING_DB="unless it is {:g} dB less than a voice's leak would be",
        )
        + _of(
            "meters.transients",
            BETWEEN_DB="a plug touches more than once: {:g} dB less between its contacts",
        )
        + _of(
            "findings.doubts",
            FAINT_CRACKS_DB="where none on the microphone reaches {:g} dB, all are notes",
        ),
    ),
    "rustle": Rule(
        "short broadband noise in one microphone; as a voice, its leak would be in the other",
        _of(
            "rustling",
            MISSING_DB="{:g} dB of a voice's leak is missing, more if it sounds like one",
            SHORTEST_S="for {:g} s or more",
            BARE_DB="whatever it sounds like, if {:g} dB and the highest bands' too are missing",
            HABIT_DB="a note where {:g} dB of the wearer's own words often lack so",
        )
        + _of(
            "rustling_shapes",
            LEAST_FALL_DB="what only dies away, by {:g} dB or more, is a room's tail or a gate's",
            EVEN_DB="a note where its level moves by less than {:g} dB, as a background does",
        )
        + _of(
            "findings.sounds",
            BRIEF_S="a note where it is shorter than {:g} s, alone and under the wearer's words",
        ),
    ),
    "level_jump": Rule(
        "background and speech of one microphone change by one gain in all bands, and stay",
        _of("findings.jumps", LEAST_JUMP_DB="by {:g} dB or more where voices show it")
        + _of("findings.gain_scan", LEAST_DB="by {:g} dB where the background alone does")
        + _of("findings.changes", PLAIN_JUMP_DB="under {:g} dB it is a note")
        + _of(
            "findings.automatic",
            PLAIN_RISE_DB="by itself: it comes up in pauses, under {:g} dB it is a note",
        ),
    ),
    "background_change": Rule(
        "the quietest of what lies between the words changes from one side to the other",
        _of(
            "findings.machines",
            BACKGROUND_DB="by {:g} dB or more, less is a note",
            LOUDEST_DB="and so is more than {:g} dB, as out of silence",
            AT_ONCE_BOTH="and what may have come slowly: at once has to be likelier by {:g} nepers",
            RINGS_S="and what falls evenly from there on for {:g} s, as a bell that was struck",
        )
        + _of("meters.tones", LINE_DB="or a tone of both microphones, {:g} dB over its noise")
        + _of("findings.doubts", GOES_AGAIN="notes where it went {} times after it had gone")
        + _of("meters.gates", LEAST_TIMES="never where a gate shuts, as it was seen to {} times"),
    ),
    "both_talking": Rule(
        "both voices in their own microphones at once: levels move apart, both places show, or both"
        " share the spectrum",
        _of(
            "findings.talk",
            ASSENT_S="an assent up to {:g} s, an interruption beyond",
            SURELY_S="a note up to {:g} s",
            SHARED_SURELY_S="and up to {:g} s where only the shared spectrum tells",
        )
        + _of(
            "meters.talking",
            SOFT_DB="nobody is made to talk who, {:g} dB softer than usual, would have been heard",
        )
        + _of("findings.doubts", DROWNED_DB="or under a voice less than {:g} dB over a background")
        + _of(
            "findings.talk_ends",
            PER_DB="it ends where both most likely do: each dB by which a voice sinks takes {:g}"
            " nepers off the odds",
        )
        + _of(
            "meters.steady",
            STEADY_DB="what both hear as loudly and keeps within {:g} dB of its course for a second"
            " is no voice",
        )
        + _of("meters.shares", MORE="{:g} of the tones more than a lone voice leaves to the other")
        + _of("meters.places", LEAST_HEIGHT="a place shows from {:g} on, one signal being 1")
        + _of("findings.doubts", MOSTLY="a note where cloth lies under {:g} of it"),
    ),
    "dc_offset": Rule(
        "mean of all samples of the channel",
        _of("findings.damage", DC_WARN="beyond {:g} of full scale: headroom is lost"),
    ),
    "bad_samples": Rule("samples that are not numbers (NaN or infinity)"),
    "truncated": Rule("the header promises more sound than the file holds"),
    "peak_over": Rule("true peak of the mix, 16 times oversampled", check="true_peak"),
}


def explained(record: TakeRecord) -> list[str]:
    """Return lines that explain each problem of ``record``: measured, held against, told by."""
    if not record.problems:
        return ["No problem was found: there is nothing to explain."]
    lines = []
    for problem in record.problems:
        lines += [*_explained(problem, record), ""]
    return lines[:-1]


def _explained(problem: Problem, record: TakeRecord) -> Iterator[str]:
    rule = RULES[problem.kind]
    mic = "" if problem.mic is None else f", the {problem.mic}'s microphone"
    where = f"{problem.start_s:.2f} to {problem.end_s:.2f} s"
    yield f"{problem.id}. {problem.kind} ({problem.severity}){mic}, {where}"
    yield f"   heard     {problem.heard}"
    if problem.value is not None:
        times = f", {problem.count} in all" if problem.count > 1 else ""
        yield f"   measured  {problem.value:g} {problem.unit or ''}".rstrip() + times
    if problem.limit is not None:
        yield f"   limit     {problem.limit:g} {problem.unit or ''}".rstrip()
    for name, delivery in record.deliveries.items():
        for check in delivery.checks:
            if check.id == rule.check and check.mic in (None, problem.mic):
                yield from _bounds(name, check)
    yield f"   told by   {rule.told_by}"
    for threshold in rule.thresholds:
        yield f"             {threshold.line()}"


def _bounds(delivery: str, check: Check) -> Iterator[str]:
    """Say where a delivery's check warns and fails, and who says so; nothing without a limit."""
    limits = {"warns at": check.warn_limit, "fails at": check.fail_limit}
    said = " and ".join(f"{word} {limit:g}" for word, limit in limits.items() if limit is not None)
    if said:
        yield f"   {delivery:9s} {said} {check.unit or ''}: {check.source}".rstrip()
