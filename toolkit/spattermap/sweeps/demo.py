"""A made-up sweep to learn on: a workshop bursts wires beside fused-silica plates."""

from __future__ import annotations

import math
from pathlib import Path

from spattermap.core.files import write_text_atomically
from spattermap.measure.conductance import sheet_conductance
from spattermap.measure.resistivity import PURE_METAL_RESISTIVITY_OHM_M
from spattermap.synthesis import (
    Deposit,
    Droplets,
    Haze,
    Layer,
    Scene,
    make_blank,
    make_deposit,
    save_folder,
)

CHARGES_J = (90, 180, 320)
WIRES = {"brass": {"Cu": 70.0, "Zn": 30.0}, "nichrome": {"Ni": 80.0, "Cr": 20.0}}
# Coverage of the drops and thickness of the haze (um) at each charge; invented.
_COVERAGE = (0.18, 0.45, 0.8)
_HAZE_UM = (0.01, 0.02, 0.05)
_THICKNESS_UM = 0.9


def write_demo(folder: str | Path, *, side_px: int = 128, plates: int = 2, seed: int = 0) -> Path:
    """Write the map sets and the sheet of a demo sweep.

    Parameters
    ----------
    folder : str or pathlib.Path
        Where to; files of the same names are replaced.
    side_px : int, optional
        Side of each field (px).
    plates : int, optional
        Plates made with each wire and charge.
    seed : int, optional
        Seed; the same seed gives the same bytes.

    Returns
    -------
    pathlib.Path
        The sheet: 24 map sets (three charges, two wires, two plates each, two fields a plate) and
        two rows that cannot be read. Brass loses zinc to a film between the drops, more at high
        charge; nichrome stays together. Where the drops connect, a sheet resistance is stated
        that fits metal of three times the bulk resistivity.
    """
    root = Path(folder)
    lines = ["path,sample,field,wire,charge_J,sheet_resistance_ohm_per_sq,thickness_nm"]
    number = 0
    for wire, alloy in WIRES.items():
        for level, charge in enumerate(CHARGES_J):
            for _plate in range(plates):
                number += 1
                scenes = [_scene(wire, level, side_px, (seed, number, f)) for f in (1, 2)]
                ohm = _resistance(scenes[0], alloy)
                for f, scene in enumerate(scenes, start=1):
                    name = f"burst_{number:02d}_{f}"
                    save_folder(scene, root / name, blank=f"../blank_{wire}")
                    lines.append(f"{name},burst {number:02d},{f},{wire},{charge},{ohm}")
        blank = make_blank(_spec(wire, 0, side_px), seed=seed + 1000)
        save_folder(blank, root / f"blank_{wire}")
    lines.append("burst_13_1,burst 13,1,brass,320,,")
    broken = root / "burst_13_2"
    broken.mkdir(parents=True, exist_ok=True)
    (broken / "Cu_Ka.tif").write_bytes(b"the export was interrupted")
    lines.append("burst_13_2,burst 13,2,brass,320,,")
    sheet = root / "sheet.csv"
    write_text_atomically(sheet, "\n".join(lines) + "\n")
    return sheet


def _spec(wire: str, level: int, side_px: int) -> Deposit:
    brass = wire == "brass"
    return Deposit(
        shape=(side_px, side_px),
        alloy=WIRES[wire],
        droplets=Droplets(
            d50_px=13.0,
            sigma_g=1.4,
            coverage=_COVERAGE[level] * (1.0 if brass else 1.08),
            thickness_um=_THICKNESS_UM,
            thickness_exponent=0.3,
            placement="free",
        ),
        haze=Haze(thickness_um=_HAZE_UM[level], contrast=0.3),
        layers=(Layer("Zn", "between", share=0.15 + 0.2 * level),) if brass else (),
        counts_per_pixel=4.0,
        electron_image=False,
        title=f"{wire} wire, {CHARGES_J[level]} J",
    )


def _scene(wire: str, level: int, side_px: int, seed: tuple[int, int, int]) -> Scene:
    first, number, field = seed
    return make_deposit(_spec(wire, level, side_px), seed=1000 * first + 10 * number + field)


def _resistance(scene: Scene, alloy: dict[str, float]) -> str:
    """Return sheet resistance and thickness as two cells of the sheet; empty where it insulates."""
    metal = scene.labels > 0
    ratio = math.sqrt(math.prod(sheet_conductance(metal, direction=d).ratio for d in ("x", "y")))
    if ratio == 0:
        return ","
    main = max(alloy, key=lambda element: alloy[element])
    ohm = 3.0 * PURE_METAL_RESISTIVITY_OHM_M[main] / (ratio * _THICKNESS_UM * 1e-6)
    return f"{ohm:.3g},{1000 * _THICKNESS_UM:g}"
