"""The map set, its sidecar and its settings: what is accepted, and what each refusal says."""

import numpy as np
import pytest
import xarray as xr

from spattermap.core.errors import InputError, InputFileError, InputTypeError
from spattermap.core.mapset import facts, make_map_set, stated_roles, validate
from spattermap.core.settings import Settings
from spattermap.core.sidecar import find_sidecar, read_sidecar


def small(**more):
    return make_map_set(np.arange(12).reshape(2, 2, 3), ["Cu", "zn"], **more)


def test_coordinates_are_pixel_centres_in_um():
    maps = small(pixel_size_um=0.5)
    assert list(maps.element.values) == ["Cu", "Zn"]
    assert maps.x.values.tolist() == [0.25, 0.75, 1.25]
    assert maps.x.attrs["units"] == "um"


def test_without_pixel_size_lengths_are_in_px():
    known = facts(small())
    assert (known.length_unit, known.pixel_size) == ("px", 1.0)


def test_facts_survive_netcdf(tmp_path):
    maps = small(
        pixel_size_um=0.5,
        alloy={"Cu": 70.0, "Zn": 30.0},
        substrate=["Si", "O"],
        process={"charge_J": 120},
        valid=np.ones((2, 3), dtype=bool),
    )
    maps.to_netcdf(tmp_path / "maps.nc", engine="h5netcdf")
    with xr.open_dataset(tmp_path / "maps.nc", engine="h5netcdf") as back:
        xr.testing.assert_identical(validate(back.load()), maps)
        assert facts(back).alloy == {"Cu": 70.0, "Zn": 30.0}
        assert list(facts(back).substrate) == ["Si", "O"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"quantity": "count"}, "Did you mean 'counts'"),
        ({"pixel_size_um": -1.0}, "pixel_size_um must be a positive number"),
        ({"alloy": {"Cu": 80, "Zn": 30}}, "sum to at most 100"),
        ({"alloy": {"Qq": 80}}, "symbol of a chemical element"),
        ({"valid": np.ones((3, 3), dtype=bool)}, "valid must have the shape"),
        ({"variance": -np.ones((2, 2, 3))}, "variance of Cu must not be negative"),
    ],
)
def test_refusals_name_the_argument(arguments, words):
    with pytest.raises(InputError, match=words):
        small(**arguments)


def test_negative_counts_are_refused_but_net_counts_may_dip():
    values = -np.ones((1, 2, 2))
    with pytest.raises(InputError, match='quantity = "net_counts"'):
        make_map_set(values, ["Cu"])
    assert make_map_set(values, ["Cu"], quantity="net_counts").sizes["y"] == 2


def test_nan_is_refused_unless_masked():
    values = np.ones((1, 2, 2))
    values[0, 0, 0] = np.nan
    with pytest.raises(InputError, match="counts of Cu must be finite"):
        make_map_set(values, ["Cu"])
    make_map_set(values, ["Cu"], valid=np.array([[False, True], [True, True]]))


def test_element_twice_is_refused():
    with pytest.raises(InputError, match="'Cu' twice"):
        make_map_set(np.ones((2, 2, 2)), ["Cu", "cu"])


def test_not_a_dataset():
    with pytest.raises(InputTypeError, match=r"xarray\.Dataset"):
        validate(np.ones(3))


def test_sidecar_misspelt_key_names_the_nearest(tmp_path):
    file = tmp_path / "mapset.toml"
    file.write_text("pixelsize_um = 0.5\n", encoding="utf-8")
    with pytest.raises(InputError, match="Did you mean 'pixel_size_um'") as caught:
        read_sidecar(file)
    assert str(file) in str(caught.value)


def test_sidecar_values(tmp_path):
    file = tmp_path / "mapset.toml"
    file.write_text(
        'title = "one"\nblank = "../plate"\n[alloy]\ncu = 70\nZn = 30\n'
        '[substrate]\nelements = ["si", "O"]\n',
        encoding="utf-8",
    )
    values = read_sidecar(file)
    assert values["alloy"] == {"Cu": 70.0, "Zn": 30.0}
    assert values["substrate"] == ["Si", "O"]
    assert values["blank"] == str((tmp_path.parent / "plate").resolve())
    assert find_sidecar(tmp_path) == file


@pytest.mark.parametrize(
    ("text", "error", "words"),
    [
        ("title = ", InputFileError, "readable sidecar"),
        ("title = 3\n", InputTypeError, "text in quotes"),
        ("alloy = 3\n", InputTypeError, "must be a table"),
        ('electron_image = "../../secret.tif"\n', InputFileError, "in the folder of the map set"),
        ("pixel_size_um = 0\n", InputError, "positive number"),
    ],
)
def test_sidecar_refusals(tmp_path, text, error, words):
    file = tmp_path / "mapset.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(error, match=words):
        read_sidecar(file)


def test_settings_round_trip(tmp_path):
    settings = Settings(alloy=("fe", "Ni"), smallest_droplet=0.5, seed=7)
    file = tmp_path / "settings.toml"
    file.write_text(settings.to_toml(), encoding="utf-8")
    assert Settings.from_toml(file) == settings


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("sed = 1\n", "Did you mean 'seed'"),
        ("level = 95\n", "must be below 1"),
        ("n_resamples = 10\n", "at least 100"),
        ('alloy = ["Xx"]\n', "symbol of a chemical element"),
    ],
)
def test_settings_refusals(tmp_path, text, words):
    file = tmp_path / "settings.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words):
        Settings.from_toml(file)


def test_stated_roles_put_alloy_before_substrate():
    roles = stated_roles(["Al", "Si", "Cu"], alloy=["Al"], substrate=["Si", "Al"], how="stated")
    assert (roles.alloy, roles.substrate, roles.other) == (("Al",), ("Si",), ("Cu",))


def test_stated_roles_refuse_an_alloy_nobody_mapped():
    with pytest.raises(InputError, match="got Ag"):
        stated_roles(["Cu"], alloy=["Ag"], substrate=None, how="stated")
