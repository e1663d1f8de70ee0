"""Shared by several test files: what an analysis holds, made by hand; the list of checks."""

import importlib.util
import os
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from spattermap.compiling import compile_all
from spattermap.core.estimate import Estimate
from spattermap.core.mapset import Roles, make_map_set
from spattermap.core.settings import Settings
from spattermap.examine import Examination
from spattermap.measure.metal_weight import withheld
from spattermap.measure.network import connectivity


def _beside(place):
    """Load a script that stands beside the tests, which are no package, once for all of them."""
    name = Path(place).stem
    spec = importlib.util.spec_from_file_location(name, Path(__file__).parent / place)
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # here the tests find it; dataclasses look their module up
    spec.loader.exec_module(module)
    return module


outside_checks = _beside("outside_checks.py")
for _place in (
    "divided_by_hand.py", "lognormal_truth.py", "network_contacts.py", "reference/make_golden.py"
):  # fmt: skip
    _beside(_place)


TITLE = "plate <b>7</b> & $x$"  # what a page and a picture must show as it is


def pytest_addoption(parser):
    parser.addoption(
        "--write-checks",
        metavar="FILE",
        help="write the table of outside checks and how they ended into this page",
    )


def pytest_configure(config):
    if os.environ.get("PYTEST_XDIST_WORKER") == "gw1":
        # On a fresh machine both processes would compile the same, each for half a minute: here
        # the last loops are compiled first.
        compile_all()
    page = config.getoption("--write-checks")
    if page and config.getoption("numprocesses", None):
        raise pytest.UsageError("--write-checks writes what one process ran: add -p no:xdist")
    config.pluginmanager.register(outside_checks.Collector(page and Path(page)), "outside_checks")


# Counts per pixel on metal and beside it.
MEANS = {"Cu": (4.0, 0.2), "Zn": (2.0, 0.4), "Si": (0.5, 3.0), "O": (0.4, 2.5), "C": (0.3, 0.3)}


def hand_made_analysis(*, droplets=12, pixel_size_um=0.25, electron_image=True, streaks=2, side=96):
    """Return what an analysis holds, made by hand."""
    rng = np.random.default_rng(5)
    labels = np.zeros((side, side + 16), dtype=np.int32)
    scale, unit = (pixel_size_um, "um") if pixel_size_um else (1.0, "px")
    table = _drawn_droplets(labels, droplets, scale, unit)
    tracks = _drawn_streaks(labels, range(droplets + 1, droplets + streaks + 1), scale, unit)
    metal = labels > 0
    counts = np.stack([rng.poisson(np.where(metal, m, b)) for m, b in MEANS.values()])
    for element, plane in zip(MEANS, counts, strict=True):
        inside = np.bincount(labels.ravel(), plane.ravel(), minlength=droplets + 1)
        table[f"{element}_counts"] = inside[1 : droplets + 1]
        table[f"{element}_counts_err"] = np.sqrt(inside[1 : droplets + 1] + 1.0)
    maps = make_map_set(
        counts,
        list(MEANS),
        lines=[f"{e} Ka" for e in MEANS],
        pixel_size_um=pixel_size_um,
        title=TITLE,
        electron_image=metal * 80.0 + rng.normal(50, 5, metal.shape) if electron_image else None,
    )
    summary = _summary(metal, table[f"diameter_{unit}"], scale, unit)
    return SimpleNamespace(
        title=TITLE,
        maps=maps,
        roles=Roles(("Cu", "Zn"), ("Si", "O"), ("C",), assumed=True),
        labels=xr.DataArray(labels, dims=("y", "x")),
        droplets=table,
        streaks=tracks,
        segmentation=SimpleNamespace(
            labels=labels,
            n_droplets=droplets,
            n_streaks=streaks,
            elements_used=("Cu", "Zn"),
            blur_px=0.8,
            smallest_trusted_px=5.5,
            metal=metal,
            image=None,
            cracks={},
            metal_means={},
        ),
        continuity=SimpleNamespace(
            x=_insulating(),
            y=_insulating(),
            edges=connectivity(labels > 0),
            window=None,
            otherwise=None,
            resistivity=None,
            next_step="",
            reasons=(),
        ),
        examination=Examination((), maps),
        weighed=withheld("No thickness: drawn by hand.", ""),
        oxygen=pd.DataFrame(),
        cracks=None,
        elements=_elements(),
        pairs=_pairs(counts),
        settings=Settings(),
        morphology=SimpleNamespace(
            sizes=pd.DataFrame({"trusted": [droplets >= 30]}, index=["number D50"]),
            border_weight=np.ones(droplets),
        ),
        notes=("Roles are <assumed>.",),
        blank=None,
        haze_zero=Estimate(0.5, 0.3, 0.6),
        overview=None,
        summary=lambda: summary,
        answer=lambda: "Droplets.",
    )


def _drawn_droplets(labels, n, scale, unit):
    """Draw discs into the labels and return their table."""
    yy, xx = np.indices(labels.shape)
    rows = []
    for k in range(n):
        cy, cx = 12 + 24 * (k // 4), 14 + 27 * (k % 4)
        radius = 2.5 + 0.7 * k
        labels[(yy - cy) ** 2 + (xx - cx) ** 2 < radius**2] = k + 1
        rows.append((k + 1, cy * scale, cx * scale, 2 * radius * scale))
    return pd.DataFrame(rows, columns=["label", f"y_{unit}", f"x_{unit}", f"diameter_{unit}"])


def _drawn_streaks(labels, numbers, scale, unit):
    """Draw bars into the labels and return their table."""
    rows = []
    for k, number in enumerate(numbers):
        labels[84 + 5 * k : 86 + 5 * k, 10:60] = number
        lengths = {"y": 85.0, "x": 35.0, "length": 50.0, "width": 2.0, "head_y": 85.0, "head_x": 10}
        row = {f"{name}_{unit}": value * scale for name, value in lengths.items()}
        rows.append({"label": number, **row, "angle_deg": 10.0 + 20 * k, "directed": k == 0})
    names = ["y", "x", "length", "width", "head_y", "head_x"]
    columns = ["label", *(f"{name}_{unit}" for name in names), "angle_deg", "directed"]
    return pd.DataFrame(rows, columns=columns)


def _summary(metal, diameters, scale, unit):
    summary = {
        "length_unit": unit,
        "coverage": float(metal.mean()),
        "droplet_count": len(diameters),
        f"smallest_trusted_{unit}": 5.5 * scale,
    }
    for level in (10, 50, 90):
        middle = float(np.percentile(diameters, level)) if len(diameters) else float("nan")
        ends = {"": 1.0, "_low": 0.9, "_high": 1.1}
        summary |= {f"d{level}_{unit}{end}": middle * part for end, part in ends.items()}
    return summary


def _insulating():
    return SimpleNamespace(ratio=0.0, current_density=np.zeros((4, 4)))


def _elements():
    rows = []
    for k, element in enumerate(MEANS):
        share = [0.9, 0.55, 0.02, 0.05, float("nan")][k]
        rows.append(
            {
                "element": element,
                "line": f"{element} Ka",
                "role": ["alloy", "alloy", "substrate", "substrate", "other"][k],
                "mean_counts": 1.0,
                "detection_limit_counts": 0.1,
                "share_in_droplets": share,
                "share_in_droplets_low": share - 0.1,
                "share_in_droplets_high": share + 0.1,
                "share_with_alloy": share,
                "share_with_alloy_low": share - 0.2,
                "share_with_alloy_high": share + 0.2,
                "verdict": "with_alloy",
                "reasons": "x",
                "next_step": "y",
            }
        )
    return pd.DataFrame(rows)


def _pairs(counts):
    names = list(MEANS)
    flat = counts.reshape(len(names), -1)
    r = np.corrcoef(flat)
    rows = [
        {
            "element_a": names[i],
            "element_b": names[j],
            "r": 1.1 * r[i, j],
            "r_low": 1.1 * r[i, j] - 0.2,
            "r_high": 1.1 * r[i, j] + 0.2,
            "r_plain": r[i, j],
            "p_value": 0.01,
        }
        for i in range(len(names))
        for j in range(i + 1, len(names))
    ]
    rows[-1]["r"] = float("nan")
    return pd.DataFrame(rows)


@pytest.fixture
def stand_in():
    """Return the function that makes an analysis by hand."""
    return hand_made_analysis
