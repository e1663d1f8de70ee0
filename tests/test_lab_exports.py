"""Odd but honest files, as laboratories export them: the right numbers, or one line that helps."""

from __future__ import annotations

import json
import zipfile

import imageio.v3 as iio
import numpy as np
import pytest
import tifffile

import spattermap
from spattermap.core.errors import SpattermapError
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
    wide = {name: np.tile(plane, (4, 20)) for name, plane in MAPS.items()}
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
