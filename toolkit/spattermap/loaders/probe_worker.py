"""Read through HDF5 files and Zarr stores for `probe`, in a process whose death harms nobody.

Run as a script; it imports nothing of this package, so that it starts quickly. It reads one JSON
string (a path) a line, and answers with dots while it gets on and one JSON object when it is done.
"""

from __future__ import annotations

import contextlib
import json
import math
import os
import sys
from collections.abc import Callable, Iterator
from typing import Any

# Address space above what the started process holds: a file that needs more is refused.
MEMORY_BYTES = 2**30
# Compressed chunks are unpacked up to this much, then only the ends and the extremes of a dataset.
UNPACKED_BYTES = 2**28
# Datasets of other things than numbers are read in parts of this many values.
PART_VALUES = 50_000
MOST_OBJECTS = 1_000_000
# Chunks of a Zarr array that are unpacked: all of so many, else as many evenly among them.
MOST_CHUNKS = 1_000
# Their packings were made for data from strangers, so that a sample will do.
SOUND, SAMPLE_BYTES = ("zstd", "gzip", "zlib"), 2**24


class Progress:
    """Say now and then that the work gets on, and what is left of what may be unpacked."""

    def __init__(self) -> None:
        self.steps = 0
        self.left = UNPACKED_BYTES
        self.out_of_memory = False
        self.peak_at_start = peak_bytes()

    def attempt(self, call: Callable[..., Any], *args: Any) -> Any:
        """Return what a call returns, None where it fails.

        What cannot be read is no harm: the reader gets the same error, in a clean way.
        """
        self.step()
        try:
            return call(*args)
        except MemoryError:
            self.out_of_memory = True
        except Exception as problem:  # libraries raise anything for damaged files
            # The library does not always say that memory ended: "filter returned failure" may mean
            # it, after so much of it was taken.
            grown = peak_bytes() - self.peak_at_start > MEMORY_BYTES // 4
            self.out_of_memory = self.out_of_memory or grown or "allocat" in str(problem)
        return None

    def step(self, many: int = 1) -> None:
        """Count steps; every thousand of them is told."""
        before, self.steps = self.steps, self.steps + many
        if self.steps // 1000 != before // 1000:
            sys.stdout.write(".\n")
            sys.stdout.flush()


def peak_bytes() -> int:
    """Return the most memory the process ever held, 0 where the system does not tell."""
    # Not from getrusage on Linux: its peak begins with that of the process that started this one.
    status = "/proc/self/status"
    with contextlib.suppress(OSError), open(status, encoding="ascii") as lines:  # noqa: PTH123
        for line in lines:
            if line.startswith("VmHWM:"):
                return int(line.split()[1]) * 1024
    try:
        import resource
    except ImportError:
        return 0
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak * (1 if sys.platform == "darwin" else 1024)


def limit_memory() -> None:
    """Bound the address space, where the system can."""
    with contextlib.suppress(ImportError, OSError, ValueError):
        import resource

        with open("/proc/self/statm", encoding="ascii") as stream:  # noqa: PTH123 - quick start
            held = int(stream.read().split()[0]) * resource.getpagesize()
        hard = resource.getrlimit(resource.RLIMIT_AS)[1]
        resource.setrlimit(resource.RLIMIT_AS, (held + MEMORY_BYTES, hard))


def look_through(path: str) -> dict[str, Any]:
    """Read every object of a file; return what the caller must know."""
    import h5py

    if os.path.isdir(path):  # noqa: PTH112 - quick start
        return look_through_store(path)
    progress, links = Progress(), []
    with h5py.File(path, "r") as file:
        for item, link in _objects(file, progress):
            if link is not None:
                links.append(link)
                continue
            for name in progress.attempt(list, item.attrs) or ():
                progress.attempt(item.attrs.__getitem__, name)
            if isinstance(item, h5py.Dataset):
                progress.attempt(_read_dataset, item, progress)
                for axis in item.dims:  # a list of axes of a wrong length crashes the library
                    progress.attempt(len, axis)
    # After a file that took much, the peak would hide what the next one takes.
    spent = peak_bytes() - progress.peak_at_start > MEMORY_BYTES // 8
    return {"links": links[:3], "memory": progress.out_of_memory, "spent": spent}


def look_through_store(path: str) -> dict[str, Any]:
    """Unpack chunks of every array of a Zarr store; say as `look_through` does what was found."""
    import zarr

    progress = Progress()
    held: Any = zarr.open(path, mode="r")
    items = [held] if isinstance(held, zarr.Array) else [one for _, one in held.members(None)]
    for item in items:
        if isinstance(item, zarr.Array) and item.size:
            for place in _some_chunks(item, progress):
                progress.attempt(item.__getitem__, place)
                progress.step(1000)
    spent = peak_bytes() - progress.peak_at_start > MEMORY_BYTES // 8
    return {"links": [], "memory": progress.out_of_memory, "spent": spent}


def _some_chunks(array: Any, progress: Progress) -> Iterator[tuple[slice, ...]]:
    """Yield the places of chunks, as many as the allowance lasts for, the ends among them."""
    across = [-(-n // side) for n, side in zip(array.shape, array.chunks, strict=True)]
    number, one = math.prod(across), math.prod(array.chunks) * array.dtype.itemsize
    names = {str(getattr(c, "codec_id", None) or c.to_dict()["name"]) for c in array.compressors}
    left = min(progress.left, SAMPLE_BYTES) if names <= {*SOUND} else progress.left
    wanted = max(2, min(number, MOST_CHUNKS, left // max(one, 1)))
    for turn in range(wanted):
        k = turn * (number - 1) // (wanted - 1)
        place: list[slice] = []
        for n, side in zip(reversed(across), reversed(array.chunks), strict=True):
            k, at = divmod(k, n)
            place.insert(0, slice(at * side, (at + 1) * side))
        progress.left = max(0, progress.left - one)
        yield tuple(place)


def _objects(file: Any, progress: Progress) -> Iterator[tuple[Any, str | None]]:
    """Yield each object once, and the path of each link that leaves the file."""
    import h5py

    waiting = [file]
    seen: set[int] = set()
    while waiting:
        item = waiting.pop()
        progress.step()
        yield item, None
        if not isinstance(item, h5py.Group):
            continue
        for name in progress.attempt(list, item) or ():
            link = progress.attempt(_link_out, item, name)
            if link is not None:
                yield None, link
                continue
            # An external link would open another file here, one nobody asked for.
            inside = progress.attempt(item.__getitem__, name)
            place = inside is not None and h5py.h5o.get_info(inside.id).addr
            if inside is not None and place not in seen and len(seen) < MOST_OBJECTS:
                seen.add(place)
                waiting.append(inside)


def _link_out(group: Any, name: str) -> str | None:
    import h5py

    outside = isinstance(group.get(name, getlink=True), h5py.ExternalLink)
    return f"{group.name}/{name}" if outside else None


def _read_dataset(item: Any, progress: Progress) -> None:
    if item.external or item.is_virtual or item.shape is None or item.size == 0:
        return
    if item.chunks is not None:
        _read_chunks(item, progress)
    elif item.dtype.kind not in "uifb":
        _read_parts(item, progress)
    else:  # numbers in one piece: nothing is unpacked, and the library checks the length
        item[(0,) * item.ndim], item[tuple(n - 1 for n in item.shape)]


def _read_parts(item: Any, progress: Progress) -> None:
    """Read a dataset of strings or tables, some rows at a time."""
    if item.ndim == 0:
        item[()]
        return
    rows = max(1, PART_VALUES // max(1, item.size // item.shape[0]))
    for first in range(0, item.shape[0], rows):
        item[first : first + rows]
        progress.step(1000)


def _read_chunks(item: Any, progress: Progress) -> None:
    """Unpack chunks: all while the allowance lasts, else the first, last, smallest and largest."""
    found: list[tuple[int, tuple[int, ...]]] = []

    def note(info: Any) -> None:
        found.append((int(info.size), tuple(info.chunk_offset)))
        progress.step()

    item.id.chunk_iter(note)
    ends = {found[0], found[-1], min(found), max(found)} if found else set()
    packed = item.compression is not None or item.fletcher32 or item.shuffle or item.scaleoffset
    numbers = item.dtype.kind in "uifb"
    one = item.dtype.itemsize
    for length in item.chunks:
        one *= length
    if one > MEMORY_BYTES // 2:
        raise MemoryError
    for entry in found:
        if entry not in ends and numbers:
            if not packed or progress.left < one:
                continue
            progress.left -= one
        item[tuple(slice(k, k + n) for k, n in zip(entry[1], item.chunks, strict=True))]
        progress.step(1000)


def main() -> None:
    """Answer one path after the other until the caller closes the pipe."""
    import h5py  # noqa: F401 - so that the first answer does not wait for it

    limit_memory()
    sys.stdout.write("ready\n")
    sys.stdout.flush()
    for line in sys.stdin:
        try:
            answer: dict[str, Any] = look_through(json.loads(line))
        except MemoryError:
            answer = {"links": [], "memory": True}
        except Exception as problem:  # no HDF5 at all: the reader says so itself
            answer = {"links": [], "memory": False, "problem": str(problem)}
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()


if __name__ == "__main__":
    main()
