"""Time and iterations of the sheet solver by size, beside a direct solution, in one run.

Run by hand: ``python tests/benchmarks/continuity.py [--sides 512 1024 2048 4096] [--direct 1024]``,
or with ``--films N`` for the bounds of the conductance against N random films of known truth.
Times are of the processor, so that a busy machine does not count. The film is smooth noise cut at
75 % coverage, insulating ground, current along x, one network.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time

import numpy as np
from scipy import ndimage
from scipy.sparse import coo_matrix, diags
from scipy.sparse.linalg import spsolve

from spattermap.measure.conductance import sheet_conductance
from spattermap.measure.network import connectivity


def film(side: int, coverage: float = 0.75) -> np.ndarray:
    """Return a film with one texture scale (4 px) at every size."""
    field = ndimage.gaussian_filter(
        np.random.default_rng(side).normal(size=(side, side)).astype(np.float32), 4, mode="wrap"
    )
    return field > np.quantile(field, 1 - coverage)


def films(n: int) -> None:
    """Print how often the bounds of the conductance hold the truth, over random films."""
    import spattermap
    from spattermap.core.mapset import make_map_set

    side, fine, held, crossing = 192, 2, [], []
    for seed in range(n):
        rng = np.random.default_rng(100 + seed)
        coverage, texture = rng.uniform(0.55, 0.85), rng.uniform(2.5, 7)
        dose, blur = rng.choice([1.0, 3.0, 10.0]), rng.choice([0.8, 1.2, 1.8])
        field = ndimage.gaussian_filter(
            rng.normal(size=(side * fine,) * 2), texture * fine, mode="wrap"
        )
        true = field > np.quantile(field, 1 - coverage)
        seen = ndimage.gaussian_filter(true.astype(float), blur * fine)
        seen = seen.reshape(side, fine, side, fine).mean((1, 3))
        counts = rng.poisson(np.stack([dose * (0.03 + seen), dose * (1.2 - 0.7 * seen)]))
        found = spattermap.analyse(make_map_set(
            counts, ["Cu", "Si"], lines=["Cu Ka", "Si Ka"], pixel_size_um=0.2, alloy={"Cu": 100},
            substrate={"Si": 46.7, "O": 53.3}, beam_energy_keV=15,
        )).continuity  # fmt: skip
        for way, (low, high) in (("x", found.bounds_x), ("y", found.bounds_y)):
            ratio = sheet_conductance(true, direction=way, tolerance=1e-6).ratio
            crossing.append((ratio > 0) == getattr(found.edges, f"crosses_{way}"))
            if ratio > 0:
                held.append(low <= ratio <= high)
                print(f"{seed:3d} {way} true {ratio:.3f} found {low:.3f} to {high:.3f}", flush=True)
    print(f"bounds held {sum(held)} of {len(held)}; crossing right {sum(crossing)} of {2 * n}")


def direct(metal: np.ndarray) -> tuple[float, float]:
    """Return the potentials by ``scipy.sparse.linalg.spsolve``, and the time it took (s).

    The plain way: one matrix over all metal pixels of the region that crosses, then spsolve; the
    time is that of spsolve alone, without labelling and assembly.
    """
    labels, _ = ndimage.label(metal)
    both = np.intersect1d(labels[:, 0], labels[:, -1])
    keep = np.isin(labels, both[both > 0])
    number = np.cumsum(keep.ravel()).reshape(keep.shape) - 1
    pairs = []
    for one, other in ((np.s_[:, :-1], np.s_[:, 1:]), (np.s_[:-1], np.s_[1:])):
        joined = keep[one] & keep[other]
        pairs.append((number[one][joined], number[other][joined]))
    first, second = (np.concatenate(parts) for parts in zip(*pairs, strict=True))
    size = int(keep.sum())
    links = coo_matrix((np.ones(first.size), (first, second)), shape=(size, size)).tocsr()
    links = links + links.T
    feed, ground = np.zeros(size), np.zeros(size)
    feed[number[:, -1][keep[:, -1]]] = 2
    ground[number[:, 0][keep[:, 0]]] = 2
    matrix = (diags(np.asarray(links.sum(axis=1)).ravel() + feed + ground) - links).tocsc()
    start = time.process_time()
    potential = spsolve(matrix, feed)
    spent = time.process_time() - start
    return float((ground * potential).sum()), spent


def peak_gb() -> float:
    """Return the peak memory of this process so far (GB)."""
    scale = 1 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * scale / 1e9


def main() -> None:
    """Print one line a size."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sides", type=int, nargs="+", default=[512, 1024, 2048])
    parser.add_argument("--direct", type=int, default=1024, help="largest side solved directly")
    parser.add_argument("--films", type=int, metavar="N", help="bounds against N random films")
    chosen = parser.parse_args()
    if chosen.films:
        films(chosen.films)
        return
    sheet_conductance(film(128))  # imports
    print("side   unknowns   paths s  solve s  us/unknown  iterations  residual   peak GB  spsolve")
    for side in chosen.sides:
        metal = film(side)
        start = time.process_time()
        connectivity(metal)
        paths = time.process_time() - start
        start = time.process_time()
        found = sheet_conductance(metal)
        spent = time.process_time() - start
        line = f"{side:4d} {found.unknowns:10d} {paths:9.2f} {spent:8.2f} "
        line += f"{1e6 * spent / found.unknowns:11.2f} {found.iterations:11d} "
        line += f"{found.residual:9.1e} {peak_gb():9.2f}"
        if side <= chosen.direct:
            conductance, alone = direct(metal)
            line += f"   {alone:.2f} s ({alone / spent:.1f} times ours), "
            line += f"difference {abs(conductance / found.ratio_low - 1):.1e}"
        print(line, flush=True)


if __name__ == "__main__":
    main()
