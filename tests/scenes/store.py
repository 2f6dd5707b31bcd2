"""Writing a scene to a file as a recorder would, and keeping scenes for another run."""

import hashlib
import pickle
from functools import cache
from pathlib import Path

import numpy as np
import soundfile

from scenes.build import make_scene
from scenes.model import Scene, Truth
from scenes.plan import Plan

_SUBTYPES = {"wav16": "PCM_16", "wav24": "PCM_24", "float": "FLOAT"}
AAC_BITS_PER_SECOND = 256_000


def store(scene: Scene, folder: Path, name: str = "scene") -> Path:
    """Write ``scene`` into ``folder``; return the path (``.wav``, or ``.m4a`` for AAC)."""
    if scene.storage == "aac":
        return _aac(scene, folder / f"{name}.m4a")
    path = folder / f"{name}.wav"
    soundfile.write(path, scene.samples, scene.sample_rate_hz, _SUBTYPES[scene.storage])
    return path


def kept(plan: Plan, folder: Path) -> tuple[Path, Truth]:
    """Return the file and the truth of a planned scene, made now unless ``folder`` has it.

    The name holds a digest of the plan and of the kit's own source, so that a scene made by an
    older kit is never taken for a new one.
    """
    name = hashlib.sha256(f"{plan!r} {_kit()}".encode()).hexdigest()[:20]
    truth_path = folder / f"{name}.truth"
    if truth_path.exists():
        path, truth = pickle.loads(truth_path.read_bytes())
        return folder / path, truth
    scene = make_scene(plan.seed, plan.half, plan.kinds, plan.duration_s, plan.fooled)
    path = store(scene, folder, name)
    unfinished = truth_path.with_suffix(".part")
    unfinished.write_bytes(pickle.dumps((path.name, scene.truth)))
    unfinished.replace(truth_path)
    return path, scene.truth


@cache
def _kit() -> str:
    sources = sorted(Path(__file__).parent.glob("*.py"))
    making = [path for path in sources if path.name not in ("score.py", "tables.py")]
    return hashlib.sha256(b"".join(path.read_bytes() for path in making)).hexdigest()


def _aac(scene: Scene, path: Path) -> Path:
    import av

    with av.open(str(path), "w") as container:
        stream = container.add_stream("aac", rate=scene.sample_rate_hz, layout="stereo")
        stream.bit_rate = AAC_BITS_PER_SECOND
        samples = np.ascontiguousarray(scene.samples.T)
        for at in range(0, samples.shape[1], 1024):
            block = np.ascontiguousarray(samples[:, at : at + 1024])
            frame = av.AudioFrame.from_ndarray(block, format="fltp", layout="stereo")
            frame.sample_rate, frame.pts = scene.sample_rate_hz, at
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path
