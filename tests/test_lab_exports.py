"""Odd but honest files, as laboratories export them: the right numbers, or one line that helps."""

from __future__ import annotations

import gzip
import json
import re
import zipfile

import h5py
import imageio.v3 as iio
import numpy as np
import pytest
import tifffile

import spattermap
from spattermap.core.errors import SpattermapError, SpattermapWarning
from spattermap.loaders.convert import is_tile_table, read_tiles
from spattermap.sweeps.sheet import read_sheet

_RNG = np.random.default_rng(4)
MAPS = {name: _RNG.poisson(rate, (24, 32)).astype(np.uint16) for name, rate in
        (("Cu", 6), ("Zn", 3))}  # fmt: skip


def loaded(place, wanted=None):
    maps = spattermap.load(place)
    wanted = wanted or MAPS
    assert sorted(maps["element"].values) == sorted(wanted)
    for name, plane in wanted.items():
        np.testing.assert_array_equal(maps["counts"].sel(element=name), plane)
    return maps


def notes(maps):
    return " ".join(json.loads(maps.attrs["source"])["notes"])


def refused(place, words):
    with pytest.raises(SpattermapError, match=words) as caught:
        spattermap.load(place)
    assert str(caught.value).isprintable()


def grid(plane, sep=",", dec=".", form="%g", end="\n", tail=""):
    rows = (sep.join((form % v).replace(".", dec) for v in row) + tail for row in plane)
    return end.join(rows) + end


def write(folder, make, ending=".csv"):
    for name, plane in MAPS.items():
        text = make(plane)
        raw = text if isinstance(text, bytes) else text.encode()
        (folder / f"{name}_Ka{ending}").write_bytes(raw)
    return folder


@pytest.mark.parametrize(
    "make",
    [
        lambda p: grid(p, ";", ",", "%.2f"),
        lambda p: grid(p, "|"),
        lambda p: grid(p, "\t", ",", "%.6E"),
        lambda p: grid(p, ";", tail=";", end="\r\n"),
        lambda p: grid(p, ",", end="\r"),
        lambda p: grid(p, ",", end="\n\n"),
        lambda p: grid(p, ",", end="\r\n") + "\x1a",
        lambda p: grid(p, ",", form='"%g,0"'),
        lambda p: grid(p, ",").encode("utf-16"),
        lambda p: b"\xfe\xff" + grid(p, "\t", end="\r\n").encode("utf-16-be"),
        lambda p: ("Pixelgröße (µm);0,25\nPrüfling – 3\n" + grid(p, ";")).encode("cp1252"),
        lambda p: "Title: plate\nkV,15\n\n" + grid(p),
        lambda p: "sep=;\r\n" + grid(p, ";", end="\r\n"),
        lambda p: "Width,32" + "," * 30 + "\n" + grid(p),
    ],
)
def test_text_of_many_writers(tmp_path, make):
    loaded(write(tmp_path, make))


@pytest.mark.parametrize("sep", [";", "\t", "  "])
@pytest.mark.parametrize("row", [3, 23])
def test_decimal_commas_in_a_few_numbers_only(tmp_path, sep, row):
    lift = np.zeros((24, 32))
    lift[row, 5] = 0.5
    write(tmp_path, lambda p: grid(p + lift, sep, ","), ".txt")
    loaded(tmp_path, {name: plane + lift for name, plane in MAPS.items()})


def test_a_long_first_line_may_be_cut_in_a_number(tmp_path):
    wide = {"Cu": np.tile(MAPS["Cu"], (4, 20))}
    for shift in range(12):  # so that some cut falls behind an "E"
        for name, plane in wide.items():
            text = "#" * (shift + 1) + "\n" + grid(plane, "\t", form="%.6E")
            (tmp_path / f"{name}.txt").write_text(text)
        loaded(tmp_path, wide)


def rows_of(plane, sep=",", dec=".", step=0.25):
    y, x = np.indices(plane.shape)
    return "".join(
        f"{step * a:g}{sep}{step * b:g}{sep}{v}\n".replace(".", dec)
        for a, b, v in zip(x.ravel(), y.ravel(), plane.ravel(), strict=True)
    )


def test_a_row_a_pixel_in_a_file_an_element(tmp_path):
    write(tmp_path, lambda p: ("X [µm];Y [µm];Intensity\n" + rows_of(p, ";", ",")).encode("cp1252"))
    assert loaded(tmp_path).attrs["pixel_size_um"] == 0.25
    loaded(tmp_path / "Cu_Ka.csv", {"Cu": MAPS["Cu"]})
    text = "x,y,net,gross\n" + rows_of(MAPS["Cu"]).replace("\n", ",1\n")
    (tmp_path / "Cu_Ka.csv").write_text(text)
    refused(tmp_path, "one map in a folder of single-element files, got the columns net, gross")


def test_a_row_a_pixel_without_names_is_no_grid(tmp_path):
    refused(write(tmp_path, rows_of), "Name them in the first line, for example: x,y,Fe Ka")
    write(tmp_path, lambda p: "Pos A;Pos B;Value\n" + rows_of(p, ";"))
    refused(tmp_path, "rows of two positions and 1 value")


def test_a_long_table_whose_names_hold_spaces(tmp_path):
    cells = rows_of(MAPS["Cu"]).splitlines()
    rows = [f"{row},{v}" for row, v in zip(cells, MAPS["Zn"].ravel(), strict=True)]
    (tmp_path / "maps.csv").write_text("\n".join(["x (µm),y (µm),Cu Ka,Zn Ka", *rows]), "utf-8")
    assert loaded(tmp_path / "maps.csv").attrs["pixel_size_um"] == 0.25
    refused(tmp_path, "name one that holds every map")


def damaged(plane):
    first, rest = grid(plane).split(",", 1)
    return f"{first},--,{rest.split(',', 1)[1]}"


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (damaged, "numbers only, got '--' in line 1"),
        (lambda p: grid(p) + "\n" + grid(p), "one grid of numbers, got 2 parted by empty lines"),
        (lambda p: grid(p) + "\n" + grid(p[:1]), "got 2 parted by empty lines"),
        (lambda p: grid(np.tile(p, (3, 1))) + "Total,9\n", "got 'Total' in row 73"),
        (lambda p: grid(p).replace("7", "", 1), "a number in every cell|numbers only"),
        (lambda p: "\n".join(map(str, p.ravel())), "one column of 768 numbers"),
        (lambda p: ",".join(map(str, p.ravel())), "one row of 768 numbers"),
        (lambda p: "32,24\n" + grid(p), "got 32 in line 2 after rows of 2"),
        (lambda p: grid(p, form="0x%x"), "its first line of text is '0x"),
    ],
)
def test_text_that_could_be_read_as_another_map(tmp_path, make, words):
    refused(write(tmp_path, make), words)


def test_sums_at_the_end_of_rows_and_columns_are_left_out(tmp_path):
    def make(plane):
        whole = np.pad(plane.astype(int), ((0, 1), (0, 1)))
        whole[-1] = whole.sum(axis=0)
        whole[:, -1] = whole.sum(axis=1)
        return grid(whole, form="%d")

    assert "the last row is the sum of the others" in notes(loaded(write(tmp_path, make)))


HEADER = {"width": 32, "height": 24, "depth": 2, "offset": 0, "data-length": 2,
          "data-type": "unsigned", "byte-order": "big-endian", "record-by": "image"}  # fmt: skip


def raw(folder, data, *, sep="\t", stem="maps", upper=False, more=(), **changes):
    facts = HEADER | {key.replace("_", "-"): value for key, value in changes.items()}
    lines = [f"{key}{sep}{value}" for key, value in facts.items()]
    text = "\n".join([f"key{sep}value", *lines, *more])
    (folder / f"{stem}.rpl").write_text(text.upper() if upper else text, encoding="latin-1")
    (folder / f"{stem}.raw").write_bytes(data.tobytes())
    return folder / f"{stem}.rpl"


@pytest.mark.parametrize(
    ("kind", "options"),
    [
        (">u2", {}),
        (">u2", {"sep": "   "}),
        (">u2", {"upper": True}),
        (">u2", {"more": ["my odd key\tprüf", "units um", "; said µ", "", "ev-per-chan"]}),
        ("<f4", {"data_type": "float", "data_length": 4, "byte_order": "little-endian"}),
        ("u1", {"data_length": 1}),
    ],
)
def test_headers_of_raw_numbers(tmp_path, kind, options):
    (tmp_path / "maps.mapset.toml").write_text('[lines]\nCu = "Ka"\nZn = "Ka"\n')
    planes = np.stack(list(MAPS.values())).astype(kind)
    loaded(raw(tmp_path, planes, **options))
    loaded(raw(tmp_path, planes.transpose(1, 2, 0), record_by="vector", **options))


def test_raw_numbers_a_file_an_element(tmp_path):
    for name, plane in MAPS.items():
        raw(tmp_path, plane.astype(">u2"), stem=f"{name}_Ka", depth=1)
    maps = loaded(tmp_path)
    assert len(json.loads(maps.attrs["source"])["files"]) == 4  # the numbers are hashed too
    (tmp_path / "Cu_Ka.raw").unlink()
    refused(tmp_path, "must lie beside its numbers, got no file Cu_Ka.raw")


def test_what_lies_about_in_folders(tmp_path):
    for name, plane in MAPS.items():
        tifffile.imwrite(tmp_path / f"{name}_Ka.TIF", plane)
        (tmp_path / f"{name}_Ka.txt").write_text("Pixel size 0.25 um\nkV 15\n")
    for name in (".DS_Store", "Thumbs.db", "._Cu_Ka.TIF", "report.docx"):
        (tmp_path / name).write_bytes(bytes(100))
    (tmp_path / "thumbnails").mkdir()
    tifffile.imwrite(tmp_path / "thumbnails" / "Cu_Ka.tif", MAPS["Cu"][::4, ::4])
    assert "Cu_Ka.txt holds no numbers and was left out" in notes(loaded(tmp_path))
    (tmp_path / "more" / "maps").mkdir(parents=True)
    iio.imwrite(tmp_path / "more" / "maps" / "Cu.png", MAPS["Cu"])
    refused(tmp_path / "more", "Name what lies in it: .*maps")
    iio.imwrite(tmp_path / "Cu_Ka.png", MAPS["Cu"])
    refused(tmp_path, "of two copies the one that holds counts")


def test_percent_maps_by_their_names(tmp_path):
    for name, plane in MAPS.items():
        tifffile.imwrite(tmp_path / f"{name}_wt%.tif", plane)
    assert loaded(tmp_path).attrs["quantity"] == "mass_percent"


@pytest.mark.parametrize("alloy", ["30wt%", "30 wt%", "30_at%", "30 at.%"])
def test_the_percent_of_an_alloy_is_no_quantity(tmp_path, alloy):
    for name, plane in MAPS.items():
        tifffile.imwrite(tmp_path / f"plate {alloy} {name}_Ka.tif", plane)
    assert loaded(tmp_path).attrs["quantity"] == "counts"


def test_archives_and_books_say_what_to_do(tmp_path):
    with zipfile.ZipFile(tmp_path / "maps.zip", "w") as held:
        held.writestr("Cu_Ka.csv", grid(MAPS["Cu"]))
    refused(tmp_path / "maps.zip", "Unpack it, and name the folder")
    (tmp_path / "maps.zip").rename(tmp_path / "maps.xlsx")
    refused(tmp_path / "maps.xlsx", "Save the sheet of each map as CSV")
    (tmp_path / "maps.xlsx").rename(tmp_path / "maps.raw")
    refused(tmp_path / "maps.raw", r"ending in \.rpl")


@pytest.mark.parametrize("name", ["mapset.toml.txt", "Mapset.TOML", "mapset.txt"])
def test_a_sidecar_under_a_name_that_is_not_read(tmp_path, name):
    for element, plane in MAPS.items():
        tifffile.imwrite(tmp_path / f"{element}_Ka.tif", plane)
    (tmp_path / name).write_text("pixel_size_um = 0.25\n")
    if not (tmp_path / "mapset.toml").exists():  # where capitals are told apart
        refused(tmp_path, r"must be named mapset\.toml to be read")
    (tmp_path / name).rename(tmp_path / "mapset.toml")
    assert loaded(tmp_path).attrs["pixel_size_um"] == 0.25


def test_sheets_of_spreadsheets(tmp_path):
    wanted = [("a", {"charge_J": 1.5}), ("b", {"charge_J": 2.0})]
    for text in (
        "path,charge_J\na,1.5\nb,2\n",
        "path,charge_J,,\na,1.5,,\nb,2,,\n,,,\n",
        "sep=;\npath;charge_J\na;1,5\nb;2\n;\n",
        '\ufeff"path"\t"charge_J"\r\n"a"\t"1.5"\r\n"b"\t"2"\t\r\n',
    ):
        (tmp_path / "sheet.csv").write_text(text, "utf-8", newline="")
        rows = read_sheet(tmp_path / "sheet.csv")
        assert [(row.path.name, dict(row.process)) for row in rows] == wanted
    (tmp_path / "sheet.csv").write_text("path,charge_J,\na,1.5,7\n")
    with pytest.raises(SpattermapError, match="an empty name"):
        read_sheet(tmp_path / "sheet.csv")


# --- seen in a second round of odd exports -------------------------------------------------------


@pytest.mark.parametrize("sign", ["\u00a0", "\u202f", "\u2019", "'"])
@pytest.mark.parametrize("sep", [";", "\t"])
def test_thousands_grouped_by_spaces_and_quotes(tmp_path, sign, sep):
    def make(plane):
        cells = ((f"{int(v) * 271 + 5:,}".replace(",", sign) for v in row) for row in plane)
        return "\n".join(map(sep.join, cells)) + "\n"

    loaded(write(tmp_path, make), {n: p.astype(int) * 271 + 5 for n, p in MAPS.items()})


def test_a_space_that_holds_parts_columns_where_nothing_else_does(tmp_path):
    write(tmp_path, lambda p: grid(p + 100.0, "\u00a0"), ".txt")
    loaded(tmp_path, {name: plane + 100 for name, plane in MAPS.items()})


@pytest.mark.parametrize("code", ["utf-16-le", "utf-16-be"])
def test_two_bytes_a_sign_without_a_mark(tmp_path, code):
    loaded(write(tmp_path, lambda p: grid(p, "\t", end="\r\n").encode(code), ".txt"))


def test_text_in_the_wrong_wrapping_says_so(tmp_path):
    refused(write(tmp_path, lambda p: gzip.compress(grid(p).encode())), r"end in \.csv\.gz")
    refused(write(tmp_path, lambda _: bytes(range(256))), "got binary data")
    twice = gzip.compress(gzip.compress(grid(MAPS["Cu"]).encode()))
    (tmp_path / "Cu.csv.gz").write_bytes(twice)
    refused(tmp_path / "Cu.csv.gz", "a gzip file within another. Unpack it once")
    (tmp_path / "Cu.csv.gz").unlink()
    refused(write(tmp_path, lambda p: f"Row 1,{grid(p)}"), "got 'Row 1' in line 1")
    labelled = write(tmp_path, lambda p: re.sub(r"(?m)^(?=\d)", "Row 1,", grid(p)))
    refused(labelled, "got 'Row 1' in line 1")
    refused(write(tmp_path, lambda p: grid(p) + "\n\nEnd of data\n"), "got 'End of data'")


def long(first="x,y,Cu,Zn", second="", count=None):
    cells = rows_of(MAPS["Cu"]).splitlines()
    rows = [f"{row},{v}" for row, v in zip(cells, MAPS["Zn"].ravel(), strict=True)]
    if count is not None:
        rows = [f"{k + count},{row}" for k, row in enumerate(rows)]
    return "\n".join([first, *([second] if second else []), *rows]) + "\n"


def test_a_line_of_units_below_the_names(tmp_path):
    for units in ("µm,µm,counts,counts", "(um),(um),(cts),(cts)", "[um],[um],,"):
        (tmp_path / "maps.csv").write_text(long("x,y,Cu Ka,Zn Ka", units), "utf-8")
        if not units.endswith(","):
            assert loaded(tmp_path / "maps.csv").attrs["pixel_size_um"] == 0.25


@pytest.mark.parametrize("name", ["i", "I", "No", "#", "", "Index"])
def test_a_column_that_numbers_the_rows_is_no_iodine(tmp_path, name):
    (tmp_path / "maps.csv").write_text(long(f"{name},x,y,Cu,Zn", count=1))
    if name != "#":  # which starts a line that is not read
        assert "numbers the rows and was left out" in notes(loaded(tmp_path / "maps.csv"))


def test_percent_by_the_names_of_columns(tmp_path):
    (tmp_path / "maps.csv").write_text(long("x (um),y (um),Cu (wt%),Zn (wt%)"))
    assert loaded(tmp_path / "maps.csv").attrs["quantity"] == "mass_percent"


@pytest.mark.parametrize("head", ["", "y/x;" + ";".join(f"{k / 4:g}" for k in range(32)) + "\n"])
def test_rows_numbered_from_below(tmp_path, head):
    def make(plane):
        return head + "".join(
            f"{(23 - k) / 4:g};{';'.join(map(str, row))}\n" for k, row in enumerate(plane)
        )

    assert "the first column numbers the rows" in notes(loaded(write(tmp_path, make)))


@pytest.mark.parametrize(
    ("head", "width"),
    [
        ("Energy (keV),Counts", 2),  # a spectrum
        ("Distance (um),Cu Ka,Zn Ka", 3),  # a line across
        ("ID,Area,Cu,Zn,Si,O", 6),  # particles
        ("", 2),
    ],
)
def test_a_list_of_numbers_is_no_map(tmp_path, head, width):
    rows = ("".join(f"{0.01 * k:.2f}" + f",{k % 7}" * (width - 1) + "\n") for k in range(400))
    (tmp_path / "Cu.csv").write_text(head + "\n" + "".join(rows))
    refused(tmp_path / "Cu.csv", "got a list of 400 lines of .*name another file")


def test_pixels_listed_without_their_places_are_no_map(tmp_path):
    rows = zip(MAPS["Cu"].ravel(), MAPS["Zn"].ravel(), strict=True)
    text = "Cu,Zn\n" + "".join(f"{a},{b}\n" for a, b in rows)
    (tmp_path / "Cu plate 3.csv").write_text(text)
    refused(tmp_path / "Cu plate 3.csv", "got a list of 768 lines of Cu, Zn")


def test_one_sign_for_decimals_and_columns_is_refused(tmp_path):
    lines = ("".join(f"{v},{v % 7:02d}," for v in row)[:-1] for row in MAPS["Cu"])
    (tmp_path / "Cu.csv").write_text("\n".join(lines))
    refused(tmp_path / "Cu.csv", "got commas for both")
    write(tmp_path, lambda p: grid(p, form="%03d"))  # all of one width: plain
    (tmp_path / "Cu.csv").unlink()
    loaded(tmp_path)


@pytest.mark.parametrize("ending", [".csv", ".tif", ".png", ".hspy", ".h5", ".npy", ".nc", ".npz"])
def test_an_empty_file_is_called_empty(tmp_path, ending):
    (tmp_path / f"Cu_Ka{ending}").write_bytes(b"")
    refused(tmp_path / f"Cu_Ka{ending}", r"got an empty file \(0 bytes\).* downloaded to the end")


@pytest.mark.parametrize(
    "name", [".Zn_Ka.tif.icloud", "Zn_Ka.tif.crdownload", "Zn.tif - Shortcut.lnk", "Zn_Ka.tif.gz",
             "Zn_Ka.gif"]
)  # fmt: skip
def test_what_stands_in_the_place_of_a_map_is_said(tmp_path, name):
    tifffile.imwrite(tmp_path / "Cu_Ka.tif", MAPS["Cu"])
    for other in (name, ".Zn_Ka.tif.swp", "In situ notes.docx", "Cu_Ka.tif.bak"):
        (tmp_path / other).write_bytes(b"bplist00")
    with pytest.warns(
        SpattermapWarning, match=f"{name} is named as a map of Zn and is not"
    ) as said:
        loaded(tmp_path, {"Cu": MAPS["Cu"]})
    assert len(said) == 1


@pytest.mark.parametrize("preview", [{}, {"photometric": "rgb"}])
def test_a_preview_behind_the_map_is_left_out(tmp_path, preview):
    small = np.zeros((6, 8, 3) if preview else (6, 8), np.uint8)
    for name, plane in MAPS.items():
        with tifffile.TiffWriter(tmp_path / f"{name}_Ka.tif") as file:
            file.write(plane)
            file.write(small, subfiletype=1, **preview)
    assert "page 2 is a preview" in notes(loaded(tmp_path))
    loaded(tmp_path / "Cu_Ka.tif", {"Cu": MAPS["Cu"]})
    with tifffile.TiffWriter(tmp_path / "Cu_Ka.tif") as file:  # as large: no preview
        file.write(MAPS["Cu"])
        file.write(MAPS["Zn"], subfiletype=1)
    refused(tmp_path, "must hold one map, got 2 pages")


def test_a_picture_in_which_nothing_is_white_says_so(tmp_path):
    tifffile.imwrite(tmp_path / "Cu_Ka.tif", MAPS["Cu"], photometric="miniswhite")
    with pytest.warns(SpattermapWarning, match="says that 0 is white"):
        loaded(tmp_path, {"Cu": MAPS["Cu"]})


@pytest.mark.parametrize("top", [254, 65535])
def test_counts_stretched_to_their_type_are_counts_again(tmp_path, top):
    for name, plane in MAPS.items():
        whole = np.rint(plane * (top / plane.max())).astype(np.min_scalar_type(top))
        tifffile.imwrite(tmp_path / f"{name}_Ka.tif", whole)
    assert "recognised, and divided by it" in notes(loaded(tmp_path))


@pytest.mark.parametrize("mark", [-9999, -32768])
def test_a_number_for_no_data_is_no_net_count(tmp_path, mark):
    write(tmp_path, lambda p: grid(np.where(np.arange(32) < 3, mark, p.astype(int)), form="%d"))
    refused(tmp_path, rf"got {mark} in 72, which stands for no data")


def test_letters_of_another_alphabet(tmp_path):
    tifffile.imwrite(tmp_path / "\u0421u_Ka.tif", MAPS["Cu"])
    refused(tmp_path, "letters are of another alphabet")


@pytest.mark.parametrize(
    ("facts", "words"),
    [
        ({"scale_factor": 0.1}, "got scale_factor"),
        ({"add_offset": 5.0}, "got add_offset"),
        ({"_FillValue": np.uint16(65535)}, "got 96 of its fill value 65535"),
    ],
)
def test_conventions_of_netcdf_in_hdf5_are_not_left_out(tmp_path, facts, words):
    with h5py.File(tmp_path / "maps.h5", "w") as file:
        for name, plane in MAPS.items():
            held = file.create_dataset(name, data=plane)
            held.attrs.update({"scale_factor": 1.0, "add_offset": 0})
    loaded(tmp_path / "maps.h5")
    with h5py.File(tmp_path / "maps.h5", "a") as file:
        file["Zn"][:3] = 65535
        file["Zn"].attrs.update(facts)
    refused(tmp_path / "maps.h5", words)


def test_a_packing_that_is_not_installed(tmp_path):
    with h5py.File(tmp_path / "maps.h5", "w") as file:
        how = h5py.h5p.create(h5py.h5p.DATASET_CREATE)
        how.set_chunk((24, 32))
        how.set_filter(32001, h5py.h5z.FLAG_OPTIONAL, (0,))
        space = h5py.h5s.create_simple((24, 32))
        held = h5py.h5d.create(file.id, b"Cu_Ka", h5py.h5t.NATIVE_UINT16, space, how)
        held.write_direct_chunk((0, 0), MAPS["Cu"].tobytes(), 0)
    refused(tmp_path / "maps.h5", "a packing that is not known here|with gzip or not at all")


def test_headers_of_raw_numbers_that_leave_the_order_open(tmp_path):
    refused(raw(tmp_path, MAPS["Cu"], depth=1, byte_order=""), "must state byte-order")
    planes = np.stack(list(MAPS.values())).astype(">u2")
    refused(raw(tmp_path, planes, record_by="dont-care"), "image or vector, for 2 planes")


def test_folders_named_like_files(tmp_path):
    for ending in (".hspy", ".h5", ".tif", ".zarr", ".rpl", ".csv"):
        place = tmp_path / f"plate [3] {ending}"
        place.mkdir()
        for name, plane in MAPS.items():
            tifffile.imwrite(place / f"{name}_Ka.tif", plane)
        loaded(place)


def test_one_spectrum_is_no_map(tmp_path):
    (tmp_path / "Cu.msa").write_text("#FORMAT      : EMSA/MAS Spectral Data File\n")
    refused(tmp_path / "Cu.msa", "It holds one spectrum")


@pytest.mark.parametrize(
    ("raw_text", "words"),
    [
        (b"pixel_size_um = 0,25\n", "Write decimals with a point"),
        ("title = “plate”\n".encode(), "Write plain quotes"),
        (b'blank = "C:\\Users\\me"\n', "Write / in the place of"),
        ('title = "Prüfling"\n'.encode("cp1252"), "Save it as UTF-8"),
        ("pixel_size_um = 0.25\n".encode("utf-16"), "Save it as UTF-8"),
    ],
)
def test_a_sidecar_as_editors_spoil_it(tmp_path, raw_text, words):
    tifffile.imwrite(tmp_path / "Cu_Ka.tif", MAPS["Cu"])
    (tmp_path / "mapset.toml").write_bytes(raw_text)
    refused(tmp_path, words)


@pytest.mark.parametrize("code", ["cp1252", "utf-16", "utf-8-sig"])
def test_sheets_in_the_encodings_of_offices(tmp_path, code):
    (tmp_path / "Prüfling").mkdir()
    text = "path;ladung_µJ\r\nPrüfling;1,5\r\n"
    (tmp_path / "sheet.csv").write_bytes(text.encode(code))
    (row,) = read_sheet(tmp_path / "sheet.csv")
    assert row.path.is_dir()
    assert row.process == {"ladung_µJ": 1.5}
    text = "path;y_px;x_px\r\nPrüfling;0;0\r\n"
    (tmp_path / "tiles.csv").write_bytes(text.encode(code))
    assert is_tile_table(tmp_path / "tiles.csv")
    assert read_tiles(tmp_path / "tiles.csv")[0].path.is_dir()


@pytest.mark.parametrize("cell", ["#N/A", "#NV", "#", "#7"])
def test_a_row_whose_first_cell_makes_it_a_comment_is_not_lost(tmp_path, cell):
    rows = grid(MAPS["Cu"]).splitlines()
    rows[22] = cell + "," + rows[22].partition(",")[2]
    (tmp_path / "Cu.csv").write_text("\n".join(rows))
    refused(tmp_path / "Cu.csv", f"got '{cell}' in line 23")
    rows[22] = "# page 2, of 3"
    (tmp_path / "Cu.csv").write_text("\n".join(rows))
    assert spattermap.load(tmp_path / "Cu.csv").sizes["y"] == 23


def test_two_fields_in_one_file_are_told_apart(tmp_path):
    with h5py.File(tmp_path / "maps.h5", "w") as file:
        for shift, group in enumerate(("area1", "area2")):
            for name, plane in MAPS.items():
                file[f"{group}/{name}"] = plane + shift
    refused(tmp_path / "maps.h5", r"got /area1/Cu and /area2/Cu.*dataset = ./area1")
    (tmp_path / "mapset.toml").write_text('dataset = "/area1"\n')
    loaded(tmp_path / "maps.h5")
