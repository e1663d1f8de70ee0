"""Files that would crash, hang or exhaust the reading libraries, or make them run code."""

import contextlib
import gzip
import json
import os
import subprocess
import sys
import threading
import time
import tracemalloc
import zlib
from pathlib import Path

import h5py
import numpy as np
import pytest
import zarr
from zarr.codecs import BloscCodec, GzipCodec, ZstdCodec

import spattermap
from spattermap.core.errors import InputFileError
from spattermap.loaders import probe

PLANE = np.arange(12, dtype=np.uint16).reshape(3, 4)


@pytest.fixture(scope="module")
def bomb():
    """One GiB of zeros, as a stream of some megabytes."""
    machine = zlib.compressobj(1)
    return b"".join(machine.compress(bytes(2**24)) for _ in range(64)) + machine.flush()


def grown_by(call):
    """Return by how much the memory of this process rose at most during a call (bytes)."""
    resource = pytest.importorskip("resource")
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    call()
    return (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024


# --- HDF5 ---------------------------------------------------------------------------------------


def attribute_of_an_unknown_kind(path):
    """One wrong byte, as the fuzz found it: a variable-length type that is no text and no list."""
    with h5py.File(path, "w") as file:
        file["Cu_Ka"] = PLANE
        file["Cu_Ka"].attrs["units"] = "um"
    data = bytearray(path.read_bytes())
    at = data.index(b"\x19\x01\x01\x00\x10\x00\x00\x00")  # version 1, class 9; then its kind
    data[at + 1] = 0x72
    path.write_bytes(data)


def chunk_that_unpacks_to_too_little(path, **filters):
    with h5py.File(path, "w") as file:
        made = file.create_dataset("Cu_Ka", (2048, 2048), "u2", chunks=(2048, 2048), **filters)
        made.id.write_direct_chunk((0, 0), zlib.compress(b"abc"))


def plain(path, **filters):
    with h5py.File(path, "w") as file:
        file.create_dataset("Cu_Ka", data=PLANE, chunks=(2, 2), **filters)


def test_the_file_does_crash_the_library(tmp_path):
    """If this fails, the library was mended: then the child process may no longer be needed."""
    attribute_of_an_unknown_kind(tmp_path / "a.h5")
    chunk_that_unpacks_to_too_little(tmp_path / "b.h5", compression="gzip")
    reads = ("dict(f['Cu_Ka'].attrs)", "f['Cu_Ka'][()]")
    codes = []
    for name, read in zip(("a.h5", "b.h5"), reads, strict=True):
        code = f"import h5py; f = h5py.File({str(tmp_path / name)!r}); {read}"
        codes.append(subprocess.run([sys.executable, "-c", code], check=False).returncode)
    if h5py.version.hdf5_version_tuple[:2] == (2, 0) and sys.platform == "linux":
        assert [code < 0 for code in codes] == [True, True]


@pytest.mark.parametrize("ending", [".h5", ".hspy", ".nc", ".nxs"])
def test_a_file_that_crashes_the_library_is_refused(tmp_path, ending):
    path = tmp_path / f"maps{ending}"
    attribute_of_an_unknown_kind(path)
    with pytest.raises(InputFileError, match="whole HDF5 file, got one that crashes"):
        spattermap.load(path)


@pytest.mark.parametrize("shuffle", [False, True])
@pytest.mark.parametrize("chunks", [None, 64])
def test_a_chunk_that_unpacks_to_too_little_is_refused(tmp_path, chunks, shuffle):
    path = tmp_path / "maps.h5"
    chunk_that_unpacks_to_too_little(path, compression="gzip", shuffle=shuffle)
    with pytest.raises(InputFileError, match=r"crashes|readable HDF5"):
        spattermap.load(path, chunks=chunks)


def test_the_next_file_is_read_after_a_crash(tmp_path):
    attribute_of_an_unknown_kind(tmp_path / "bad.h5")
    plain(tmp_path / "good.h5", compression="gzip")
    for _ in range(2):
        with pytest.raises(InputFileError):
            spattermap.load(tmp_path / "bad.h5")
        np.testing.assert_array_equal(spattermap.load(tmp_path / "good.h5")["counts"][0], PLANE)


@pytest.mark.skipif(sys.platform != "linux", reason="memory is bounded in another way")
def test_a_chunk_that_unpacks_to_a_gibibyte_is_refused(tmp_path, bomb):
    path = tmp_path / "maps.h5"
    with h5py.File(path, "w") as file:
        made = file.create_dataset("Cu_Ka", (2048, 2048), "u2", chunks=(2048, 2048), compression=9)
        made.id.write_direct_chunk((0, 0), bomb)

    def refused():
        with pytest.raises(InputFileError, match="exhausts the memory"):
            spattermap.load(path)

    assert grown_by(refused) < 2**28


@pytest.mark.skipif(sys.platform != "linux", reason="memory is bounded in another way")
def test_text_that_claims_gibibytes_is_refused(tmp_path):
    """As the fuzz found it: the length of a text, taken at its word by the library."""
    path = tmp_path / "maps.nxs"
    with h5py.File(path, "w") as file:
        file["element"] = ["Cu Ka", "Zn Ka"]
    data = bytearray(path.read_bytes())
    heap = data.index(b"GCOL")
    first = data.index((5).to_bytes(4, "little") + heap.to_bytes(8, "little"))
    data[first : first + 4] = (3 * 2**30).to_bytes(4, "little")
    path.write_bytes(data)

    def refused():
        with pytest.raises(InputFileError, match="exhausts the memory"):
            spattermap.load(path)

    assert grown_by(refused) < 2**28


def test_a_file_that_hangs_is_refused(tmp_path, monkeypatch):
    plain(tmp_path / "maps.h5")
    slow = tmp_path / "slow.py"
    slow.write_text("import time\nprint('ready', flush=True)\ntime.sleep(60)\n", encoding="utf-8")
    monkeypatch.setattr(probe, "_WORKER", slow)
    monkeypatch.setattr(probe, "SILENT_SECONDS", 0.3)
    probe.stop()
    begun = time.monotonic()
    with pytest.raises(InputFileError, match="hangs the HDF5 library"):
        spattermap.load(tmp_path / "maps.h5")
    assert time.monotonic() - begun < 5.0


def test_files_are_read_where_no_child_can_be_started(tmp_path, monkeypatch):
    plain(tmp_path / "maps.h5")
    probe.stop()
    monkeypatch.setattr(sys, "executable", str(tmp_path / "nothing_here"))
    np.testing.assert_array_equal(spattermap.load(tmp_path / "maps.h5")["counts"][0], PLANE)


def test_one_child_serves_all_files_and_all_threads(tmp_path):
    for k in range(6):
        plain(tmp_path / f"maps{k}.h5")
    probe.stop()
    found = {}

    def read(k):
        found[k] = spattermap.load(tmp_path / f"maps{k}.h5"), probe.child_id()

    threads = [threading.Thread(target=read, args=(k,)) for k in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len({child for _, child in found.values()}) == 1
    assert all(np.array_equal(maps["counts"][0], PLANE) for maps, _ in found.values())


def test_the_child_ends_with_its_parent(tmp_path):
    plain(tmp_path / "maps.h5")
    code = (
        "import spattermap, os; from spattermap.loaders import probe; "
        f"spattermap.load({str(tmp_path / 'maps.h5')!r}); print(probe.child_id(), flush=True); "
        "os._exit(1)"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run(
        [sys.executable, "-c", code], check=False, capture_output=True, text=True, env=environment
    )
    child, end = int(done.stdout), time.monotonic() + 10
    psutil = pytest.importorskip("psutil")
    while psutil.pid_exists(child) and time.monotonic() < end:
        time.sleep(0.05)
    assert not psutil.pid_exists(child)


@pytest.mark.parametrize("ending", [".hspy", ".nc"])
def test_links_to_other_files_are_refused_where_a_library_would_follow_them(tmp_path, ending):
    plain(tmp_path / "other.h5")
    path = tmp_path / f"maps{ending}"
    with h5py.File(path, "w") as file:
        file["Experiments/x/data"] = h5py.ExternalLink("other.h5", "Cu_Ka")
    with pytest.raises(InputFileError, match=r"links to other files in '/Experiments/x/data'"):
        spattermap.load(path)


def test_a_stated_dataset_in_another_file_is_refused(tmp_path):
    plain(tmp_path / "other.h5")
    with h5py.File(tmp_path / "maps.h5", "w") as file:
        file["run/data"] = h5py.ExternalLink("other.h5", "Cu_Ka")
    (tmp_path / "mapset.toml").write_text('dataset = "/run/data"\n', encoding="utf-8")
    with pytest.raises(InputFileError, match="links to other files in '/run/data'"):
        spattermap.load(tmp_path / "maps.h5")


def test_links_that_nobody_uses_do_no_harm(tmp_path):
    plain(tmp_path / "maps.h5")
    with h5py.File(tmp_path / "maps.h5", "r+") as file:
        file["raw"] = h5py.ExternalLink("other.h5", "Cu_Ka")
    np.testing.assert_array_equal(spattermap.load(tmp_path / "maps.h5")["counts"][0], PLANE)


# --- HyperSpy files, which can describe things to be built --------------------------------------


def signal_file(folder, change):
    import hyperspy.api as hs

    signal = hs.signals.Signal2D(np.stack([PLANE, PLANE]))
    signal.metadata.set_item("Sample.xray_lines", ["Cu_Ka", "Zn_Ka"])
    path = folder / "maps.hspy"
    signal.save(path)
    with h5py.File(path, "r+") as file:
        change(file["Experiments/__unnamed__"], folder / "ran")
    return path


def formula(group, mark):
    attributes = group["axis-0"].attrs
    attributes["_type"] = "FunctionalDataAxis"
    attributes["expression"] = f"open({str(mark)!r}, 'w').close() or x"
    group.create_group("axis-0/x").attrs.update(
        {"_type": "UniformDataAxis", "size": 2, "scale": 1.0, "offset": 0.0}
    )


def package(group, mark):
    folder = mark.parent / "path"
    folder.mkdir()
    code = f"open({str(mark)!r}, 'w').close()\n"
    (folder / "harm_in_a_package.py").write_text(code, encoding="utf-8")
    group.attrs["package"] = "harm_in_a_package"


def signal_in_metadata(group, mark):
    inner = group.create_group("metadata/_sig_inner")
    for name in ("metadata", "original_metadata"):
        inner.create_group(name)
    inner["data"] = np.zeros(3)
    inner.create_group("axis-0").attrs.update({"size": 3})
    formula_of = inner["axis-0"].attrs
    formula_of["_type"] = "FunctionalDataAxis"
    formula_of["expression"] = f"open({str(mark)!r}, 'w').close() or x"
    inner.create_group("axis-0/x").attrs.update(
        {"_type": "UniformDataAxis", "size": 3, "scale": 1.0, "offset": 0.0}
    )
    inner.attrs.update({"package": "", "package_version": ""})


@pytest.mark.parametrize(
    ("change", "refused"), [(formula, True), (package, False), (signal_in_metadata, False)]
)
def test_nothing_a_signal_file_describes_is_run(tmp_path, monkeypatch, change, refused):
    path = signal_file(tmp_path, change)
    monkeypatch.syspath_prepend(tmp_path / "path")
    if refused:
        with pytest.raises(InputFileError, match="formulas in files are never evaluated"):
            spattermap.load(path)
    else:
        np.testing.assert_array_equal(spattermap.load(path)["counts"][1], PLANE)
    assert not (tmp_path / "ran").exists()


@pytest.mark.parametrize("change", [formula, package])
def test_the_library_itself_would_run_it(tmp_path, monkeypatch, change):
    """The danger is real: otherwise the tests above could not fail."""
    import hyperspy.api as hs

    path = signal_file(tmp_path, change)
    monkeypatch.syspath_prepend(tmp_path / "path")
    with contextlib.suppress(ValueError):
        hs.load(path)
    assert (tmp_path / "ran").exists()


# --- Zarr ---------------------------------------------------------------------------------------


def zarr_bomb(folder, codec, packed):
    group = zarr.open_group(str(folder / "maps.zarr"), mode="w", zarr_format=3)
    array = group.create_array("Cu_Ka", shape=(64, 64), chunks=(64, 64), dtype="u2",
                               compressors=codec)  # fmt: skip
    array[...] = 1
    (folder / "maps.zarr" / "Cu_Ka" / "c" / "0" / "0").write_bytes(packed)
    return folder / "maps.zarr"


def zstd_without_size(data):
    numcodecs = pytest.importorskip("imagecodecs")
    packed = bytearray(numcodecs.zstd_encode(data))
    single, code = packed[4] >> 5 & 1, packed[4] >> 6
    length = (1 if single else 0, 2, 4, 8)[code]
    # A window of 128 MiB instead of the stated size: RFC 8878, 3.1.1.1.2.
    return bytes(packed[:4] + bytes([packed[4] & 0b0000_0111, 17 << 3]) + packed[5 + length :])


@pytest.mark.parametrize("kind", ["gzip", "gzip of two members", "zstd", "zstd, no size", "blosc"])
@pytest.mark.parametrize("chunks", [None, 64])
def test_a_chunk_that_unpacks_to_too_much_is_refused(tmp_path, kind, chunks):
    import imagecodecs
    import numcodecs

    zeros = bytes(2**28)
    if kind.startswith("gzip"):
        packed = gzip.compress(b"abc", 1) * ("two" in kind) + gzip.compress(zeros, 1)
        path = zarr_bomb(tmp_path, GzipCodec(), packed)
    elif kind == "blosc":
        packed = numcodecs.blosc.compress(zeros, b"zstd", 5, 1)
        path = zarr_bomb(tmp_path, BloscCodec(), packed)
    else:
        packed = imagecodecs.zstd_encode(zeros) if kind == "zstd" else zstd_without_size(zeros)
        path = zarr_bomb(tmp_path, ZstdCodec(), packed)
    del zeros
    tracemalloc.start()
    with pytest.raises(
        InputFileError, match=r"chunks of 8,192 bytes when unpacked|must be readable|readable Zarr"
    ):
        spattermap.load(path, chunks=chunks)
    assert tracemalloc.get_traced_memory()[1] < 2**26
    tracemalloc.stop()


@pytest.mark.parametrize("codec", [GzipCodec(), ZstdCodec(), BloscCodec(), None])
def test_honest_chunks_are_read(tmp_path, codec):
    group = zarr.open_group(str(tmp_path / "maps.zarr"), mode="w", zarr_format=3)
    array = group.create_array("Cu_Ka", shape=(300, 70), chunks=(64, 64), dtype="u2",
                               compressors=codec)  # fmt: skip
    array[...] = np.arange(21000).reshape(300, 70)
    read = spattermap.load(tmp_path / "maps.zarr")["counts"][0].values
    np.testing.assert_array_equal(read, np.arange(21000).reshape(300, 70))


def test_a_store_cannot_ask_for_a_pickle(tmp_path):
    import pickle

    class Harm:
        def __reduce__(self):
            return (os.mkdir, (str(tmp_path / "ran"),))

    folder = tmp_path / "maps.zarr"
    folder.mkdir()
    facts = {"zarr_format": 2, "shape": [2, 3, 4], "chunks": [2, 3, 4], "dtype": "<u2",
             "order": "C", "fill_value": 0, "filters": None,
             "compressor": {"id": "pickle"}}  # fmt: skip
    (folder / ".zarray").write_text(json.dumps(facts), encoding="utf-8")
    (folder / "0.0.0").write_bytes(pickle.dumps(Harm()))
    with pytest.raises(InputFileError):
        spattermap.load(folder)
    assert not Path(tmp_path / "ran").exists()


@pytest.mark.skipif(sys.platform != "linux", reason="memory is bounded in another way")
def test_a_large_file_before_it_does_not_hide_what_a_bomb_takes(tmp_path, bomb):
    large = tmp_path / "large.h5"
    with h5py.File(large, "w") as file:
        file.create_dataset(
            "Cu_Ka", (10_000, 18_000), "u2", chunks=(10_000, 18_000), compression=1, fillvalue=3
        )[0, 0] = 1
    probe.stop()
    probe.require_harmless(large)
    path = tmp_path / "maps.h5"
    with h5py.File(path, "w") as file:
        made = file.create_dataset("Cu_Ka", (2048, 2048), "u2", chunks=(2048, 2048), compression=9)
        made.id.write_direct_chunk((0, 0), bomb)
    with pytest.raises(InputFileError, match="exhausts the memory"):
        probe.require_harmless(path)
