"""A segmentation whose regions are known, so that only what follows from them is under test."""

import numpy as np
import pandas as pd
from scipy import ndimage

from spattermap.segment.result import Segmentation


def divided(labels, n_droplets=None, **more):
    """Return labels (y, x), droplets before streaks, as a segmentation."""
    labels = labels.astype(np.int32)
    n, metal = int(labels.max()), labels > 0
    n_droplets = n if n_droplets is None else n_droplets
    box = np.zeros((n + 1, 4), np.int64)
    for k, found in enumerate(ndimage.find_objects(labels), start=1):
        box[k] = 0 if found is None else [one.start for one in found] + [one.stop for one in found]
    given = {
        "n_streaks": n - n_droplets,
        "log_odds": np.where(metal, 3.0, -3.0).astype(np.float32), "metal_means": {},
        "information": 1.0, "blur_px": 1.0, "smallest_trusted_px": 2.0,
        "confidence": np.ones(n_droplets), "streaks": pd.DataFrame(), "box": box,
    }  # fmt: skip
    return Segmentation(labels=labels, n_droplets=n_droplets, metal=metal, **given | more)
