"""Facts that cannot be: lines the beam cannot excite, sizes out of all proportion."""

from __future__ import annotations

from spattermap.core.errors import InputError
from spattermap.examine.finding import Answer, Finding, Mend
from spattermap.examine.observed import Observed
from spattermap.xrays import parse_line
from spattermap.xrays.lines import line_of

# Side of one field of an electron microscope (um): at lowest magnification some 10 mm; mosaics
# are longer but their pixels are not larger (common practice, no source).
WIDEST_UM = 40_000.0
LARGEST_PIXEL_UM = 30.0
# No X-ray map resolves less than this, whatever the beam (um); common practice, no source.
SMALLEST_PIXEL_UM = 0.001


def one_sided() -> Finding:
    """Return what is withheld where neither a statement nor the maps tell metal from glass."""
    held: tuple[tuple[Answer, str], ...] = (
        ("verdict", "all"), ("shares", "all"), ("shares", "metal"), ("coverage", ""),
        ("connection", "all"), ("sizes", "all"),
    )  # fmt: skip
    return Finding(
        "metal and glass", "all", "doubtful",
        consequence="nobody stated which elements are the metal, and nothing in the maps rises "
        "where the glass falls, so what is covered is not known",
        next_step="state [alloy] and [substrate] in mapset.toml, or count longer",
        withholds=held,
    )  # fmt: skip


def beam_and_lines(seen: Observed) -> list[Finding]:
    """Find lines that the stated beam cannot excite.

    Statistic: edge energy over beam energy. Null: below one; no electron gives more than it has.
    """
    check = "lines and beam"
    beam = seen.known.beam_energy_keV
    if beam is None or not any(seen.lines):
        return [Finding(check, finding="not_examined")]
    found, worst = [], 0.0
    for k, element in enumerate(seen.elements):
        if not seen.lines[k]:
            continue
        try:
            edge = line_of(*parse_line(seen.lines[k]), beam_energy_keV=None).edge_eV / 1e3
        except InputError:
            continue
        if parse_line(seen.lines[k])[0] != element:
            continue
        worst = max(worst, edge / beam)
        if edge >= beam and seen.alive[k]:
            found.append(Finding(
                check, element, "faulty", edge / beam, 1.0,
                f"{seen.lines[k]} needs more than {edge:.2f} keV and the beam is stated as "
                f"{beam:g} keV, so the map of {element} is not what it is said to be",
                "correct beam_energy_keV or [lines] in mapset.toml",
                withholds=(("verdict", element), ("shares", element)),
            ))  # fmt: skip
    if len(found) > 1 and len(found) >= 0.5 * sum(1 for e in seen.signs if e > 0):
        why = found[0]
        found.append(Finding(
            check, "all", "faulty", why.value, 1.0,
            f"several lines cannot come from a beam of {beam:g} keV: the beam energy is wrong",
            "correct beam_energy_keV in mapset.toml",
            withholds=(("verdict", "all"), ("shares", "all")),
        ))  # fmt: skip
    return found or [Finding(check, value=worst, limit=1.0)]


def pixel_size(seen: Observed) -> list[Finding]:
    """Find pixel sizes that no map of an electron microscope has.

    Statistic: side of a pixel, and of the field. Null: between a nanometre and some tens of
    micrometres; a field of at most some centimetres.
    """
    check = "pixel size"
    if seen.known.length_unit != "um":
        return [Finding(check, finding="not_examined")]
    size = seen.known.pixel_size
    side = size * max(seen.shape)
    if SMALLEST_PIXEL_UM <= size <= LARGEST_PIXEL_UM and side <= WIDEST_UM:
        return [Finding(check, value=size, limit=LARGEST_PIXEL_UM)]
    much = f"{size:g} um a pixel, {side / 1e3:.3g} mm a field"
    return [Finding(
        check, "all", "faulty", size, LARGEST_PIXEL_UM if size > 1 else SMALLEST_PIXEL_UM,
        f"{much}: no map of an electron microscope is so, so every length is given in pixels",
        "correct pixel_size_um in mapset.toml",
        mends=(Mend("pixels", "all", "lengths given in px"),),
        withholds=(("sizes", "all"),),
    )]  # fmt: skip
