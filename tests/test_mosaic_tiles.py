"""Tables of tiles: what is read, and what is refused with the line that is wrong."""

import pytest

from spattermap.core.errors import InputError, InputFileError
from spattermap.loaders.convert import Tile, in_pixels, is_tile_table, read_tiles


@pytest.fixture
def table(tmp_path):
    def write(words, name="tiles.csv"):
        place = tmp_path / name
        place.write_bytes(words if isinstance(words, bytes) else words.encode())
        return place

    return write


def test_a_table_is_known_by_its_columns(table, tmp_path):
    assert is_tile_table(table("path,y_px,x_px\na,0,0\n"))
    assert is_tile_table(table("\ufeffx_um, y_um, path\n"))
    assert is_tile_table(table("path;y_um;x_um\na;0;0\n"))
    assert not is_tile_table(table("Cu,Zn\n1,2\n"))
    assert not is_tile_table(table(b"\xff\xfe\x00path,y_px"))
    assert not is_tile_table(table("path,y_px,x_px\n", name="tiles.txt"))
    assert not is_tile_table(tmp_path / "none.csv")


def test_rows_are_tiles(table, tmp_path):
    tabbed = read_tiles(table("path\ty_um\tx_um\na\t0.5\t1e1\nb/c\t-2\t0\n"))
    semicolons = read_tiles(table("path;y_um;x_um\na;0,5;1e1\nb/c;-2;0\n"))
    found = read_tiles(table("path, y_um, x_um\na, 0.5, 1e1\nb/c, -2, 0\n"))
    assert found == tabbed == semicolons
    assert found == [
        Tile(tmp_path / "a", 0.5, 10.0, "um", 2), Tile(tmp_path / "b" / "c", -2.0, 0.0, "um", 3),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("path,y_px,x_px\n", "got no rows"),
        ("name,y_px,x_px\na,0,0\n", "must have rows and the columns path"),
        ("path,y_px,x_px,y_um,x_um\na,0,0,0,0\n", "Give one pair of positions"),
        ("path,y_px,x_px\na,0,0\nb,0,left\n", "line 3: x_px must be a number .px., got 'left'"),
        ("path,y_px,x_px\na,inf,0\n", "line 2: y_px must be a number .px., got 'inf'"),
        ("path,y_px,x_px\n,0,0\n", "line 2: path must name a map set"),
    ],
)
def test_what_is_wrong_is_named(table, words, message):
    with pytest.raises(InputError, match=message):
        read_tiles(table(words))


def test_a_table_that_is_no_text(table, tmp_path):
    with pytest.raises(InputFileError, match="must be a CSV table"):
        read_tiles(table(b"path,y_px,x_px\n\0\xfe,0,0\n"))
    with pytest.raises(InputFileError, match="must be a CSV table"):
        read_tiles(tmp_path / "none.csv")


def test_positions_on_the_pixel_grid(tmp_path):
    place = tmp_path / "tiles.csv"
    assert in_pixels(Tile(tmp_path / "a", 3.0, -4.0, "px", 2), None, place) == (3, -4)
    assert in_pixels(Tile(tmp_path / "a", 1.5, 3.1, "um", 2), 0.5, place) == (3, 6)
    with pytest.raises(InputError, match=r"line 2: y_px and x_px must be whole \(px\), got 3.5, 4"):
        in_pixels(Tile(tmp_path / "a", 3.5, 4.0, "px", 2), 0.5, place)
    with pytest.raises(InputError, match="need maps with a pixel size"):
        in_pixels(Tile(tmp_path / "a", 3.5, 4.0, "um", 2), None, place)
