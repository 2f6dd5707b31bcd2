"""Every kind of damage the kit can do, by the name of the problem a tool should report.

``crosstalk`` and ``level_jump`` come in two shapes: over the whole take, and in a part of it (or
as automatic gain).
"""

from scenes import damage_gains, damage_link, damage_recorder, damage_sounds
from scenes.kind import Kind

KINDS: dict[str, Kind] = {
    "clipping": Kind({"source": damage_recorder.shout, "recorder": damage_recorder.clip}),
    "dropout": Kind({"link": damage_link.dropout}),
    "click": Kind({"source": damage_sounds.click}),
    "rustle": Kind({"source": damage_sounds.rustle}),
    "wind": Kind({"source": damage_sounds.wind}),
    "hum": Kind({"source": damage_sounds.hum}),
    "background_change": Kind(
        {"source": damage_sounds.background_change, "link": damage_sounds.hidden_changes}
    ),
    "level_jump": Kind({"source": damage_gains.level_jump}),
    "automatic_gain": Kind({"source": damage_gains.automatic_gain}, whole=True),
    "noise": Kind(settings=damage_gains.noisy, whole=True),
    "low_level": Kind({"source": damage_gains.low_level}, whole=True),
    "crosstalk": Kind(settings=damage_gains.close_together, whole=True),
    "crosstalk_part": Kind(
        {"source": damage_gains.crosstalk}, settings=damage_gains.crosstalk_settings
    ),
    "both_talking": Kind(settings=damage_gains.interrupted),
    "mic_dead": Kind({"link": damage_link.mic_dead}, whole=True),
    "dual_mono": Kind({"link": damage_link.dual_mono}, whole=True),
    "one_place": Kind(
        {"link": damage_link.one_place}, settings=damage_gains.same_place, whole=True
    ),
    "polarity": Kind({"link": damage_link.polarity}, whole=True),
    "dc_offset": Kind({"recorder": damage_recorder.dc_offset}, whole=True),
    "bad_samples": Kind({"recorder": damage_recorder.bad_samples}),
}
