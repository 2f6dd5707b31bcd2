"""Around which level differences the two people gather, where nothing but levels tells them apart.

The difference between the two microphones is one number for as long as one person speaks. Over a
whole take it gathers around two, or around one if one person is all that is heard.
"""

import numpy as np

from dualmic.tiles import Floats

# Our choices, tuned on simulated scenes.
CLUSTER_APART_DB = 3.5
LEAST_CLUSTER_CELLS, LEAST_CLUSTER_SHARE = 60, 0.01


def find_clusters(
    difference_db: Floats, noise_apart_db: float
) -> tuple[float | None, float | None]:
    """Find the level differences around which the two people gather, or one of them.

    One person alone shows one cluster. Whose it is, the levels cannot say, for gains differ; but
    gains lift the background too, so the voice is its wearer's where it stands higher above it.
    """
    if len(difference_db) < 20:
        return None, None
    edges = np.arange(-60.0, 61.0)
    counts, _ = np.histogram(np.clip(difference_db, -58.5, 58.5), edges)
    kernel = np.exp(-0.5 * np.arange(-3, 4.0) ** 2)
    density = np.convolve(counts, kernel / kernel.sum(), mode="same")
    density[[0, -1]] = 0.0  # what lies beyond the widest difference gathers just inside
    middle = edges[:-1] + 0.5
    peaks = np.flatnonzero(
        (density[1:-1] >= density[:-2]) & (density[1:-1] > density[2:]) & (density[1:-1] > 0)
    )
    peaks += 1
    least = max(LEAST_CLUSTER_CELLS, LEAST_CLUSTER_SHARE * len(difference_db))
    best = int(peaks[np.argmax(density[peaks])])
    ends = [best, best]
    for peak in peaks:
        low, high = sorted((int(peak), best))
        # A valley parts it from the main cluster.
        parted = density[low : high + 1].min() < 0.7 * density[peak]
        near = slice(max(peak - 3, 0), peak + 4)
        if high - low >= CLUSTER_APART_DB and parted and counts[near].sum() >= least:
            ends = [min(ends[0], int(peak)), max(ends[1], int(peak))]
    if ends[0] == ends[1]:
        only = float(middle[best])
        return (only, None) if only >= noise_apart_db else (None, only)
    return float(middle[ends[1]]), float(middle[ends[0]])
