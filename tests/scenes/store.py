"""Writing a scene to a file as a recorder would."""

from pathlib import Path

import numpy as np
import soundfile

from scenes.model import Scene

_SUBTYPES = {"wav16": "PCM_16", "wav24": "PCM_24", "float": "FLOAT"}
AAC_BITS_PER_SECOND = 256_000


def store(scene: Scene, folder: Path, name: str = "scene") -> Path:
    """Write ``scene`` into ``folder`` and return the file's path (``.wav``, or ``.m4a`` for AAC)."""
    if scene.storage == "aac":
        return _aac(scene, folder / f"{name}.m4a")
    path = folder / f"{name}.wav"
    soundfile.write(path, scene.samples, scene.sample_rate_hz, _SUBTYPES[scene.storage])
    return path


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
