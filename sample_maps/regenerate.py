"""Make the demo deposits again: ``python sample_maps/regenerate.py [FOLDER]``.

The scenario is invented: a workshop bursts short wires electrically beside fused-silica witness
plates and maps what lands. Every number that is true of a deposit stands in its ``truth.json``,
which the analysis never reads.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

from spattermap.synthesis import (
    Cracks,
    Deposit,
    Droplets,
    Haze,
    Layer,
    Scene,
    Streaks,
    make_blank,
    make_deposit,
    save_folder,
)

BLANK = "blank_plate"


def brass_burst() -> Scene:
    """Make a brass whose zinc boiled off (1180 K) and came down as a film between the droplets.

    At copper's melting point the vapour pressure of zinc is about 1e7 times that of copper
    (Alcock, Itkin & Horrigan, Can. Metall. Q. 23 (1984) 309, the zinc fit extrapolated), and
    small droplets lose it first. Nominal composition: C26000 cartridge brass (copper.org).
    """
    spec = Deposit(
        shape=(384, 512),
        pixel_size_um=0.25,
        alloy={"Cu": 70.0, "Zn": 30.0},
        droplets=Droplets(
            d50_px=15.0, sigma_g=1.5, coverage=0.26, thickness_um=1.5,
            placement="touching", touching_share=0.12, aspect=1.15,
        ),
        layers=(Layer("Zn", "between", share=0.6),),
        volatile_loss_px={"Zn": 5.0},
        leaks={("Zn", "Cu"): 0.01},  # the foot of Cu Kb, 1.7 resolutions away from Zn Ka
        cracks=Cracks(number=14, length_px=60.0),
        counts_per_pixel=2.0,
        blur_px=1.1,
        title="burst 07, brass wire",
        process={"wire": "brass 0.20 mm", "charge_J": 140, "gap_mm": 6.0, "pulse_us": 18},
    )  # fmt: skip
    return make_deposit(spec, seed=20707)


def nichrome_burst() -> Scene:
    """Make a nichrome kept whole: overlapping splats that connect into a conducting film.

    Near its melting point chromium's vapour pressure is only about ten times nickel's, and the
    wire has no time to part. 80Ni-20Cr after ASTM B344.
    """
    spec = Deposit(
        shape=(384, 512),
        pixel_size_um=0.2,
        alloy={"Ni": 80.0, "Cr": 20.0},
        droplets=Droplets(
            d50_px=22.0, sigma_g=1.4, coverage=0.74, thickness_um=0.9, thickness_exponent=0.5,
            placement="free", aspect=1.2,
        ),
        counts_per_pixel=3.0,
        blur_px=1.2,
        title="burst 11, nichrome wire",
        process={"wire": "nichrome 0.15 mm", "charge_J": 320, "gap_mm": 3.0, "pulse_us": 12},
        # Between 1.3 (x) and 2.1 (y) times what this thickness map would have with the bulk
        # alloy's resistivity (1.08e-6 ohm m, ASTM B344): a resistor network on the true thickness
        # give 12.0 and 7.4 ohm a square.
        measured={"sheet_resistance_ohm_per_sq": 15.6},
    )  # fmt: skip
    return make_deposit(spec, seed=20711)


def molybdenum_streaks() -> Scene:
    """Make drops that burnt in flight, struck at a slant and smeared, over a haze of oxide.

    Oxygen at 30 % by mass lies between MoO2 (25 %) and MoO3 (33 %): seen on metal thick enough to
    hide the glass, it can only be oxide. In the haze the glass shines through and outweighs it.
    """
    spec = Deposit(
        shape=(384, 512),
        pixel_size_um=0.4,
        alloy={"Mo": 100.0},
        droplets=Droplets(d50_px=12.0, sigma_g=1.4, coverage=0.06, thickness_um=1.2),
        streaks=Streaks(
            number=26, length_px=85.0, width_px=8.0, direction_deg=35.0, spread_deg=8.0,
            head_ratio=2.0, thickness_um=0.9,
        ),
        haze=Haze(thickness_um=0.04, contrast=0.3, texture_px=25.0, oxygen=30.0),
        droplet_oxygen=30.0,
        counts_per_pixel=6.0,
        blur_px=0.9,
        title="burst 16, molybdenum wire",
        process={"wire": "molybdenum 0.10 mm", "charge_J": 410, "gap_mm": 4.0, "pulse_us": 9},
    )  # fmt: skip
    return make_deposit(spec, seed=20716)


def bronze_few_counts() -> Scene:
    """Make a hasty map: copper droplets show, the tin cannot be told from background.

    Tin's vapour pressure is within a factor of two of copper's at 1358 K, so it ought to stay;
    these counts do not say. Nominal composition: tin bronze with 5 % Sn (C51000 holds 4.2-5.8 %).
    """
    spec = Deposit(
        shape=(256, 256),
        pixel_size_um=0.25,
        alloy={"Cu": 95.0, "Sn": 5.0},
        droplets=Droplets(d50_px=20.0, sigma_g=1.35, coverage=0.15, thickness_um=1.5),
        counts_per_pixel=0.25,
        blur_px=1.1,
        title="burst 21, tin bronze wire, first look",
        process={"wire": "tin bronze 0.20 mm", "charge_J": 140, "gap_mm": 6.0, "pulse_us": 18},
    )
    scene = make_deposit(spec, seed=20721)
    scene.truth["verdicts_allowed"]["Sn"] = ["undecided", "not_detected"]
    return scene


def blank_plate() -> Scene:
    """Make the bare plate under the same beam, with every line the deposits were mapped in."""
    spec = Deposit(
        shape=(256, 320),
        pixel_size_um=0.25,
        alloy={"Cu": 70.0, "Zn": 30.0},
        extra_elements=("Ni", "Cr", "Mo", "Sn"),
        counts_per_pixel=3.0,
        blur_px=1.1,
        title="fused-silica witness plate, bare",
    )
    scene = make_blank(spec, seed=20700)
    scene.maps.attrs["title"] = spec.title
    # Alone, a plate cannot tell its own background from an even film: both words are honest.
    for element in ("Cu", "Zn", *spec.extra_elements):
        scene.truth["verdicts_allowed"][element] = ["not_detected", "undecided"]
    return scene


DEPOSITS: dict[str, Callable[[], Scene]] = {
    "brass_burst": brass_burst,
    "nichrome_burst": nichrome_burst,
    "molybdenum_streaks": molybdenum_streaks,
    "bronze_few_counts": bronze_few_counts,
    BLANK: blank_plate,
}


def main(folder: Path) -> None:
    """Write every demo deposit into a folder of its own name."""
    for name, make in DEPOSITS.items():
        save_folder(make(), folder / name, blank=None if name == BLANK else f"../{BLANK}")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
