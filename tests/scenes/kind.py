"""What a damage is to the kit: settings it asks of the scene, and what it does at each stage."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from scenes.dialogue import Dialogue
from scenes.mix import Mix


def _nothing(rng: np.random.Generator) -> dict[str, Any]:
    return {}


@dataclass(frozen=True)
class Kind:
    """A damage.

    ``stages`` maps ``"source"`` (the parts are apart), ``"link"`` (each microphone is one signal)
    and ``"recorder"`` (levels are final) to what is done to the mix there; ``settings`` draws
    settings of the scene, ``prepare`` changes its dry speech; ``whole`` damages concern the take
    rather than moments of it.
    """

    stages: dict[str, Callable[[Mix], None]] = field(default_factory=dict)
    settings: Callable[[np.random.Generator], dict[str, Any]] = _nothing
    prepare: Callable[[np.random.Generator, Dialogue], None] | None = None
    whole: bool = False
