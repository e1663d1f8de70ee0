"""Injuries to files that know the form of what they injure; `fuzz_loaders.py` deals them out.

Each takes a file and a random generator, changes the file in place and says in a word what was
done. Checksums are made anew, so that a reader gets as far as the injury itself.
"""

import gzip
import io
import json
import math
import os
import re
import struct
import zipfile
import zlib

import numpy as np

NUMBERS = (
    *range(-2, 20), 31, 32, 33, 48, 64, 96, 255, 256, 257, 1536, 3072, 65535, 65536, 65537, 10**6,
    2**28, 2**31 - 1, 2**31, 2**32 - 1, 2**32, 2**62, 2**63 - 1, 2**64 - 1,
)  # fmt: skip
TEXTS = ("", " ", "0", "-1", "nan", "inf", "1e400", "9" * 400, "Cu", "Zn Ka", "Xx", "x" * 70_000,
         "\x00", "a\x00b", "\u202e\u2066", "\ud7ff\ue000", "../../etc/passwd", "/", ".", "..",
         "=1+1", "<script>", "é鉄", "um", "nm", "eV", "__import__('os')", "%s%n{}")  # fmt: skip
FLOATS = (0.0, -0.0, 1.0, -1.0, 0.5, 1e-300, 1e300, -1e300, math.nan, math.inf, -math.inf)


def pick(rng, things):
    """Return one of a sequence, as it is."""
    return things[int(rng.integers(len(things)))]


def number(rng, bits):
    return int(pick(rng, NUMBERS)) % 2**bits


def value(rng, depth=0):
    """Return any value that JSON can hold."""
    kind = int(rng.integers(9 if depth < 3 else 6))
    if kind < 2:
        return pick(rng, NUMBERS)
    if kind < 4:
        return pick(rng, TEXTS)
    if kind == 4:
        return pick(rng, FLOATS)
    if kind == 5:
        return pick(rng, (None, True, False, [], {}))
    if kind == 6:
        return [value(rng, depth + 1) for _ in range(int(rng.integers(5)))]
    if kind == 7:
        return {pick(rng, TEXTS): value(rng, depth + 1) for _ in range(int(rng.integers(4)))}
    nested = pick(rng, ([], {}))
    for _ in range(int(pick(rng, (3, 100, 3000)))):
        nested = [nested]
    return nested


def some_bytes(file, rng):
    """Injure any file without knowing its form, headers above all."""
    out = bytearray(file.read_bytes())
    for _ in range(int(rng.integers(1, 9))):
        if not out:
            break
        reach = min(512, len(out)) if rng.random() < 0.5 else len(out)
        at = int(rng.integers(reach))
        kind = int(rng.integers(6))
        if kind == 0:
            out[at] = int(rng.integers(256))
        elif kind == 1:
            out[at] ^= 1 << int(rng.integers(8))
        elif kind == 2:
            out[at : at + 4] = pick(rng, (b"\xff\xff\xff\xff", b"\0\0\0\0", b"\xff\xff\xff\x7f"))
        elif kind == 3:
            del out[at : at + int(rng.integers(1, 64))]
        elif kind == 4:
            out[at:at] = rng.bytes(int(rng.integers(1, 32)))
        else:
            del out[at + 1 :]
    file.write_bytes(out)
    return "bytes"


def whole(file, rng):
    """Put something else in the place of a file."""
    data = file.read_bytes()
    half = len(data) // 2
    what, new = pick(rng, (
        ("empty", b""), ("half", data[:half]), ("twice", data * 2), ("zeros", bytes(len(data))),
        ("noise", rng.bytes(len(data))), ("last half", data[half:]), ("tail", data + bytes(5000)),
        ("reversed", data[::-1]), ("text", b"not what it seems\n" * 20),
        ("gzipped", gzip.compress(data)),
    ))  # fmt: skip
    file.write_bytes(new)
    return f"whole: {what}"


def oddity(file, rng):
    """Make of a file what no file is: a folder, a link, a pipe, or nothing."""
    kind = pick(
        rng, ("gone", "folder", "link to nothing", "link to itself", "pipe", "link to zero")
    )
    data = file.read_bytes()
    file.unlink()
    if kind == "folder":
        file.mkdir()
        (file / "inside").write_bytes(data)
    elif kind == "link to nothing":
        file.symlink_to(file.parent / "nowhere")
    elif kind == "link to itself":
        file.symlink_to(file)
    elif kind == "pipe":
        os.mkfifo(file)
    elif kind == "link to zero":
        file.symlink_to("/dev/zero")
    return f"oddity: {kind}"


# --- pictures -----------------------------------------------------------------------------------


def _directories(data):
    """Return byte order and (place, number of entries) of each directory of a TIFF."""
    order = "<" if data[:2] == b"II" else ">"
    at, found = struct.unpack(order + "I", data[4:8])[0], []
    while at and at + 2 < len(data) and len(found) < 20:
        entries = struct.unpack(order + "H", data[at : at + 2])[0]
        found.append((at, entries))
        after = at + 2 + 12 * entries
        at = struct.unpack(order + "I", data[after : after + 4])[0]
    return order, found


_TAGS = (254, 256, 257, 258, 259, 262, 266, 270, 273, 274, 277, 278, 279, 282, 283, 284, 285, 296,
         317, 320, 322, 323, 324, 325, 330, 338, 339, 347, 530, 32997, 33550, 50838,
         65535)  # fmt: skip
_NAMED = {256: "width", 257: "height", 258: "bits", 259: "compression", 262: "photometric",
          273: "strip offset", 274: "orientation", 277: "samples", 278: "rows per strip",
          279: "strip length", 284: "planar", 296: "unit", 317: "predictor",
          339: "format"}  # fmt: skip


def tiff(file, rng):
    """Injure a directory of a TIFF: an entry, the chain, or what an entry points at."""
    out = bytearray(file.read_bytes())
    order, found = _directories(out)
    if not found:
        return some_bytes(file, rng)
    said = []
    for _ in range(int(rng.integers(1, 3))):
        at, entries = pick(rng, found)
        entry = at + 2 + 12 * int(rng.integers(max(entries, 1)))
        tag, kind, count, where = struct.unpack(order + "HHII", out[entry : entry + 12])
        name = _NAMED.get(tag, str(tag))
        what = pick(rng, ("value", "value", "value", "count", "type", "tag", "chain", "number",
                          "pointed"))  # fmt: skip
        if what == "value" and kind == 3 and count == 1:
            struct.pack_into(order + "H", out, entry + 8, number(rng, 16))
        elif what == "value":
            struct.pack_into(order + "I", out, entry + 8, number(rng, 32))
        elif what == "count":
            struct.pack_into(order + "I", out, entry + 4, number(rng, 32))
        elif what == "type":
            struct.pack_into(order + "H", out, entry + 2, number(rng, 16) % 19)
        elif what == "tag":
            struct.pack_into(order + "H", out, entry, pick(rng, _TAGS))
        elif what == "chain":
            after = at + 2 + 12 * entries
            to = pick(rng, (at, found[0][0], 0, 4, len(out) - 2, number(rng, 32)))
            struct.pack_into(order + "I", out, after, to)
        elif what == "number":
            struct.pack_into(order + "H", out, at, number(rng, 16))
        elif where + 4 <= len(out):
            struct.pack_into(order + "I", out, where, number(rng, 32))
        said.append(f"{what} of {name}")
    file.write_bytes(out)
    return f"tiff: {' and '.join(said)}"


def ome(file, rng):
    """Injure the description of an OME-TIFF: an attribute, an element, or its nesting."""
    import tifffile

    with tifffile.TiffFile(file) as held:
        text, pages = held.ome_metadata, [page.asarray() for page in held.pages]
    kind = pick(rng, ("attribute", "attribute", "attribute", "gone", "nested", "entity", "twice"))
    places = list(re.finditer(r'(\w+)="([^"]*)"', text))
    name = ""
    if kind == "attribute":
        place = pick(rng, places)
        name = f" {place[1]}"
        new = str(
            pick(
                rng,
                (
                    *NUMBERS,
                    *FLOATS,
                    *TEXTS,
                    "int8",
                    "uint8",
                    "float",
                    "complex",
                    "XYCZT",
                    "YXC",
                    "true",
                    "Cu Ka",
                    "&lt;&amp;",
                ),
            )
        )
        text = (
            text[: place.start(2)] + new.replace('"', "").replace("\0", "") + text[place.end(2) :]
        )
    elif kind == "gone":
        place = pick(rng, list(re.finditer(r"<[^/?!][^>]*/>", text)) or places)
        text = text[: place.start()] + text[place.end() :]
    elif kind == "nested":
        text = text.replace("<Pixels", "<a>" * 3000 + "<Pixels", 1)
    elif kind == "entity":
        text = text.replace("?>", '?><!DOCTYPE a [<!ENTITY b "c">]>', 1)
    else:
        place = re.search(r"<Image.*</Image>", text, re.DOTALL)
        text = text.replace(place[0], place[0] * 3) if place else text
    with tifffile.TiffWriter(file) as out:
        for k, page in enumerate(pages):
            said = {"description": text.encode("utf-8", "replace")} if k == 0 else {}
            out.write(page, contiguous=False, metadata=None, **said)
    return f"ome: {kind}{name}"


def _png_chunks(data):
    chunks, at = [], 8
    while at + 8 <= len(data):
        length = struct.unpack(">I", data[at : at + 4])[0]
        chunks.append([bytes(data[at + 4 : at + 8]), bytes(data[at + 8 : at + 8 + length])])
        at += 12 + length
    return chunks


def png(file, rng):
    """Injure the chunks of a PNG, with checksums that are right again."""
    data = file.read_bytes()
    chunks = _png_chunks(data)
    if not chunks:
        return some_bytes(file, rng)
    what = pick(
        rng, ("header", "header", "header", "drop", "twice", "swap", "add", "pixels", "length")
    )
    place = int(rng.integers(len(chunks)))
    if what == "header" and chunks[0][0] == b"IHDR":
        fields = list(struct.unpack(">IIBBBBB", chunks[0][1]))
        k = int(rng.integers(7))
        fields[k] = number(rng, 32 if k < 2 else 8) if rng.random() < 0.7 else fields[k] + 1
        fields[k] %= 2 ** (32 if k < 2 else 8)
        chunks[0][1] = struct.pack(">IIBBBBB", *fields)
        what = f"header {('width', 'height', 'depth', 'colour', 'method', 'filter', 'lace')[k]}"
    elif what == "drop":
        del chunks[place]
    elif what == "twice":
        chunks.insert(place, chunks[place])
    elif what == "swap":
        other = int(rng.integers(len(chunks)))
        chunks[place], chunks[other] = chunks[other], chunks[place]
    elif what == "add":
        bomb = zlib.compress(bytes(2**24), 9)
        new = pick(rng, ([b"PLTE", rng.bytes(9)], [b"tRNS", bytes(2)], [b"iCCP", b"a\0\0" + bomb],
                         [b"zTXt", b"a\0\0" + bomb], [b"gAMA", bytes(4)], [b"eXIf", rng.bytes(60)],
                         [b"acTL", struct.pack(">II", 4_000_000, 0)], [b"sBIT", b"\1"],
                         [b"tEXt", b"a\0" + b"b" * 100_000], [b"ABCD", b""]))  # fmt: skip
        chunks.insert(1 + int(rng.integers(len(chunks))), new)
        what = f"add {new[0].decode()}"
    elif what == "pixels":
        size = int(pick(rng, (0, 1, 100, 3000, 4000, 2**24)))
        new = [b"IDAT", zlib.compress(bytes(size), 9)]
        chunks = [new if c[0] == b"IDAT" else c for c in chunks]
    out = io.BytesIO()
    out.write(data[:8])
    for k, (name, body) in enumerate(chunks):
        length = number(rng, 32) if what == "length" and k == place else len(body)
        out.write(struct.pack(">I", length) + name + body)
        out.write(struct.pack(">I", zlib.crc32(name + body)))
    file.write_bytes(out.getvalue())
    return f"png: {what}"


def bmp(file, rng):
    """Injure the header of a BMP."""
    out = bytearray(file.read_bytes())
    fields = ((2, "I"), (10, "I"), (14, "I"), (18, "i"), (22, "i"), (26, "H"), (28, "H"), (30, "I"),
              (34, "I"), (38, "I"), (42, "I"), (46, "I"), (50, "I"), (54, "I"))  # fmt: skip
    at, form = pick(rng, fields)
    bits = 16 if form == "H" else 32
    struct.pack_into("<" + form.upper(), out, at, number(rng, bits))
    if at in (18, 22) and rng.random() < 0.5:
        side = struct.unpack_from("<i", out, at)[0]
        struct.pack_into("<i", out, at, max(-(2**31), min(2**31 - 1, -side)))
    file.write_bytes(out)
    return f"bmp: {at}"


def jpeg(file, rng):
    """Injure a segment of a JPEG."""
    out, places, at = bytearray(file.read_bytes()), [], 2
    while at + 4 <= len(out) and out[at] == 0xFF and out[at + 1] != 0xDA:
        places.append(at)
        at += 2 + struct.unpack(">H", out[at + 2 : at + 4])[0]
    places.append(min(at, len(out) - 12))
    at = pick(rng, places)
    mark, what = out[at + 1], pick(rng, ("length", "body", "body", "drop", "twice", "mark"))
    if mark == 0xC0 and rng.random() < 0.7:  # precision, height, width, components
        place, form = pick(rng, ((4, "B"), (5, "H"), (7, "H"), (9, "B"), (11, "B"), (12, "B")))
        struct.pack_into(">" + form, out, at + place, number(rng, 8 if form == "B" else 16))
        what = f"frame {place}"
    elif what == "length":
        struct.pack_into(">H", out, at + 2, number(rng, 16))
    elif what == "body":
        length = struct.unpack(">H", out[at + 2 : at + 4])[0]
        place = at + 4 + int(rng.integers(max(1, length - 2)))
        if place < len(out):
            out[place] = int(rng.integers(256))
    elif what == "mark":
        out[at + 1] = int(rng.integers(0xC0, 0x100))
    else:
        end = at + 2 + struct.unpack(">H", out[at + 2 : at + 4])[0]
        piece = out[at:end]
        out[at:end] = b"" if what == "drop" else piece * 2
    file.write_bytes(out)
    return f"jpeg: {what}"


# --- text and arrays ----------------------------------------------------------------------------

_CELLS = ("", " ", "nan", "NaN", "inf", "-inf", "1e400", "-1", "1.5", "1,5", "1;5", "1 2", "0x10",
          "1_000", "1,000", "９", "٣", "--", "n/a", "#REF!", '"', '"1', "'3'", "\x00", "\ufeff1",
          "1e", "+", "true", "9" * 30, "9" * 400, "0." + "1" * 400, "1" + "0" * 25,
          "x" * 70_000, "Cu", "1\r2", "\u2028", "−3")  # fmt: skip


def text(file, rng):
    """Injure a grid or table of numbers: a cell, a row, a column, signs, encoding, compression."""
    packed = file.suffix == ".gz"
    raw = file.read_bytes()
    rows = (gzip.decompress(raw) if packed else raw).decode().splitlines()
    separator = next((s for s in ("\t", ";", ",", "  ") if s in rows[-1]), ",")
    place = int(rng.integers(len(rows)))
    cells = rows[place].split(separator)
    kind = pick(rng, ("cell", "cell", "cell", "row gone", "row twice", "row short", "row long",
                      "column", "separator", "encoding", "end", "head", "wide", "comment",
                      "spread"))  # fmt: skip
    encoding, joined = "utf-8", "\n"
    if kind == "cell":
        cells[int(rng.integers(len(cells)))] = cell = pick(rng, _CELLS)
        rows[place] = separator.join(cells)
        kind = f"cell {cell[:9]!r}"
    elif kind == "row gone":
        del rows[place]
    elif kind == "row twice":
        rows.insert(place, rows[place])
    elif kind == "row short":
        rows[place] = separator.join(cells[: int(rng.integers(len(cells)))])
    elif kind == "row long":
        rows[place] += separator + pick(rng, ("1", "1" + separator + "2", ""))
    elif kind == "column":
        rows = [row.partition(separator)[2] for row in rows]
    elif kind == "separator":
        new = pick(rng, (",", ";", "\t", " ", "|", ":", ", ", "\u00a0"))
        rows = [row.replace(separator, new) for row in rows]
        kind = f"separator {new!r}"
    elif kind == "encoding":
        encoding = pick(rng, ("utf-16", "utf-16-be", "utf-32", "utf-8-sig", "cp037", "utf-7"))
        kind = f"encoding {encoding}"
    elif kind == "end":
        joined = pick(rng, ("\r", "\r\n", "\n\n", "\n\r", "\x0c", "\u2028", "\n \n", "\x1a\n"))
        kind = f"end {joined!r}"
    elif kind == "head":
        rows.insert(0, pick(rng, ("title", "x,y,Cu", "Cu;Zn", "1,2", "#" * 70_000, '"' * 3, "sep=,",
                                  "\\", "\ufeff\ufeff", "{}", "%", "//", "Width 32")))  # fmt: skip
        kind = f"head {rows[0][:9]!r}"
    elif kind == "wide":
        rows[place] = separator.join(["1"] * int(pick(rng, (1000, 100_000))))
    elif kind == "comment":
        rows[place] = pick(rng, ("#", "//", "%", "!", "'")) + rows[place]
    else:
        rows[place : place + 1] = [separator.join(cells[:2]), separator.join(cells[2:])]
    out = joined.join(rows).encode(encoding, "replace") + joined.encode(encoding, "replace")
    file.write_bytes(gzip.compress(out) if packed else out)
    if packed and rng.random() < 0.4:
        return gz(file, rng)
    return f"text: {kind}"


def gz(file, rng):
    """Injure a gzip: its flags, checksum, size, members; or pack it again and again."""
    data = bytearray(file.read_bytes())
    kind = pick(rng, ("flags", "checksum", "size", "member", "again", "bomb", "method", "junk"))
    if kind == "flags":
        data[3] = int(rng.integers(256))
    elif kind == "checksum":
        data[-8] ^= 1
    elif kind == "size":
        data[-4:] = struct.pack("<I", number(rng, 32))
    elif kind == "method":
        data[2] = int(rng.integers(256))
    elif kind == "member":
        data += gzip.compress(b"1,2,3\n")
    elif kind == "junk":
        data += b"junk" * 10
    elif kind == "again":
        data = gzip.compress(bytes(data))
    else:
        data = gzip.compress(b"0," * 2**25, 1)
    file.write_bytes(data)
    return f"gzip: {kind}"


_KINDS = ("<u2", ">u2", "|u1", "|i1", "<i8", "<u8", "<f2", "<f4", "<f8", "<f16", "<c8", "|b1", "|O",
          "|S4", "<U4", "<M8[s]", "<m8[us]", "|V6", "<u3", "", "u2", "nonsense")  # fmt: skip


def _npy_header(data, rng):
    """Return NPY bytes with one thing wrong in the header."""
    length = struct.unpack("<H", data[8:10])[0]
    said, rest = data[10 : 10 + length].decode("latin-1"), data[10 + length :]
    kind = pick(rng, ("shape", "shape", "descr", "descr", "order", "version", "length", "words",
                      "key"))  # fmt: skip
    version = b"\x01\x00"
    if kind == "shape":
        sides = tuple(int(pick(rng, NUMBERS)) for _ in range(int(rng.integers(5))))
        shape = pick(
            rng,
            (
                sides,
                (3072,),
                (1, 2, 32, 48),
                (2, 48, 32),
                (32, 2, 48),
                (2, 32, 47),
                (2**40, 0),
                (0, 2**40),
                (1.5, 2),
                "abc",
                (True, 32, 48),
                (2**80,),
                None,
            ),
        )
        said = re.sub(r"'shape': \(.*?\)", lambda _: f"'shape': {shape!r}", said)
    elif kind == "descr":
        new = pick(rng, (*map(repr, _KINDS), "[('a', '<u2'), ('b', '<u2')]", "('<u2', (2, 3))", "3",
                         "[('a', '|O')]", "{}", "(" * 300 + ")" * 300, "None"))  # fmt: skip
        said = re.sub(r"'descr': '[^']*'", lambda _: f"'descr': {new}", said)
        kind = f"descr {new[:9]}"
    elif kind == "order":
        said = said.replace("False", pick(rng, ("True", "1", "None", "'C'")))
    elif kind == "version":
        version = bytes([int(rng.integers(5)), int(rng.integers(3))])
    elif kind == "key":
        said = pick(rng, (said.replace("'shape'", "'form'"), said.replace("}", "'x': 1}")))
    elif kind == "words":
        said = pick(rng, ("", "{", "[" * 3000, "exit()", "{'descr': " + "-" * 3000 + "1}", "\n" * 9,
                          "1" * 6000, "{**{}}", "é鉄"))  # fmt: skip
    head = said.encode("utf-8") + b"\n"
    length = number(rng, 16) if kind == "length" else len(head)
    return data[:6] + version + struct.pack("<H", length % 2**16) + head + rest, f"npy: {kind}"


def npy(file, rng):
    """Injure the header of a NumPy file."""
    data, kind = _npy_header(file.read_bytes(), rng)
    file.write_bytes(data)
    return kind


def npz(file, rng):
    """Injure an archive of NumPy arrays: a member, its name, or what the directory says of it."""
    with zipfile.ZipFile(file) as held:
        members = [[name, held.read(name)] for name in held.namelist()]
    kind = pick(rng, ("member", "member", "name", "extra", "extra", "drop", "twice", "directory"))
    place = int(rng.integers(len(members)))
    how = pick(rng, (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA))
    if kind == "member":
        members[place][1], kind = _npy_header(members[place][1], rng)
    elif kind == "name":
        members[place][0] = pick(rng, (
            "../Cu.npy", "/Cu_Ka.npy", "Cu_Ka", "Cu_Ka.txt", "Xx_Ka.npy", "a\nCu.npy", "counts.npy",
            "Cu_Ka.npy.npy", "x" * 60_000 + ".npy", "\u202eCu.npy", "SE.npy", ".npy",
        ))  # fmt: skip
    elif kind == "extra":
        name = pick(rng, ("pixel_size_um", "elements", "counts", "variance", "valid",
                          "electron_image"))  # fmt: skip
        planes = np.ones((2, 32, 48), np.uint16)
        new = pick(
            rng,
            (
                np.array(0.5),
                np.array(-1.0),
                np.array(math.nan),
                np.array("0.5"),
                np.array([]),
                planes,
                np.array(["Cu", "Zn"]),
                np.array(["Cu", "Cu"]),
                np.array([b"\xff"]),
                planes[0],
                planes.astype(bool),
                -planes.astype(float),
                planes * np.nan,
                planes.astype(complex),
                np.zeros(3, [("a", "u2")]),
                planes[:, :3],
            ),
        )
        stream = io.BytesIO()
        np.save(stream, new)
        members.append([f"{name}.npy", stream.getvalue()])
        if rng.random() < 0.5:
            stream = io.BytesIO()
            np.save(stream, planes)
            members.append(["counts.npy", stream.getvalue()])
        kind = f"extra {name}"
    elif kind == "drop":
        del members[place]
    elif kind == "twice":
        members.append(members[place])
    import warnings

    with warnings.catch_warnings(), zipfile.ZipFile(file, "w", how) as out:
        warnings.simplefilter("ignore")
        for name, body in members:
            out.writestr(name, body)
    if kind == "directory":
        data = bytearray(file.read_bytes())
        at = data.rindex(b"PK\x01\x02") if rng.random() < 0.6 else data.rindex(b"PK\x05\x06")
        # Flags, method, checksum, sizes, lengths, place of the member; or the end record.
        field = int(rng.integers(4, 46 if data[at + 2] == 1 else 22))
        data[at + field] = int(rng.integers(256))
        file.write_bytes(data)
    return f"npz: {kind}"


def header(file, rng):
    """Injure the table of words and values beside raw numbers."""
    rows = [row.split("\t") for row in file.read_text(encoding="latin-1").splitlines() if row]
    place = int(rng.integers(len(rows)))
    name = rows[place][0]
    kind = pick(rng, ("value", "value", "value", "gone", "twice", "bare", "key"))
    if kind == "value":
        rows[place][1:] = [
            str(
                pick(
                    rng,
                    (
                        *NUMBERS,
                        *FLOATS,
                        *TEXTS[:-8],
                        "vector",
                        "image",
                        "dont-care",
                        "signed",
                        "unsigned",
                        "float",
                        "bool",
                        "complex",
                        "big-endian",
                        "little-endian",
                        "1.5",
                        "2;3",
                        "1 2",
                        "[1]",
                    ),
                )
            )
        ]
    elif kind == "gone":
        del rows[place]
    elif kind == "twice":
        rows.append([name, str(number(rng, 32))])
    elif kind == "bare":
        rows[place] = rows[place][:1]
    else:
        rows.append(
            [
                pick(
                    rng,
                    (
                        "data-type",
                        "ev-per-chan",
                        "offset",
                        "width-scale",
                        "signal",
                        "depth-units",
                        "date",
                        "title",
                        "xyz",
                    ),
                ),
                str(value(rng, 9)),
            ]
        )
    said = "\n".join("\t".join(row) for row in rows) + "\n"
    file.write_bytes(said.encode("utf-8", "replace"))
    return f"header: {kind} of {name}"


# --- HDF5 ---------------------------------------------------------------------------------------

_MARKS = (b"TREE", b"HEAP", b"SNOD", b"OHDR", b"FRHP", b"BTHD", b"BTLF", b"GCOL", b"FHDB", b"FADB",
          b"\x89HDF")  # fmt: skip
_ATTRIBUTES = ("signal", "axes", "default", "NX_class", "units", "_type", "scale", "size", "offset",
               "elements", "lines", "DIMENSION_LIST", "_Netcdf4Dimid", "CLASS", "NAME", "navigate",
               "_FillValue", "scale_factor", "add_offset", "missing_value", "_Unsigned", "source",
               "quantity", "pixel_size_um", "alloy", "title", "_nc3_strict", "coordinates", "dtype",
               "calendar", "signal_type", "lazy", "_sig_Cu", "name")  # fmt: skip


def _h5_value(rng):
    import h5py

    return pick(
        rng,
        (
            pick(rng, NUMBERS[:50]) % 2**62,
            pick(rng, FLOATS),
            pick(rng, TEXTS).replace("\0", ""),
            b"\xff\xfe",
            np.arange(5),
            np.zeros((3, 4)),
            np.array([], "f8"),
            h5py.Empty("f8"),
            h5py.Empty("S10"),
            np.array([1 + 2j]),
            np.array(["a", "b"], "S1"),
            np.zeros(2, [("a", "f4"), ("b", "S2")]),
            np.array([True, False]),
            np.float16(3),
            np.array([math.nan] * 3),
            np.void(b"abc"),
            "s um",
            "{",
            "[1",
            '{"a": ' * 500,
            "null",
            '{"Cu": "x"}',
            "counts",
            "intensity",
            ["Cu", "Zn"],
            ["Cu", "Cu"],
            ["y", "x", "element"],
            ["x"],
        ),
    )


def _h5_dataset(group, name, rng, foreign):
    """Write a data set of any form under a name."""
    import h5py

    text_type = h5py.string_dtype()
    forms = (
        {"data": 3}, {"data": "text"}, {"data": h5py.Empty("u2")}, {"data": np.zeros((0, 32, 48))},
        {"data": np.ones((2, 32, 47), "u2")}, {"data": np.ones((2, 2, 32, 48), "u2")},
        {"data": np.ones((2, 32, 48), "c8")}, {"data": np.ones((2, 32, 48), "f2")},
        {"data": np.full((2, 32, 48), math.nan)}, {"data": np.full((2, 32, 48), -1)},
        {"data": np.ones((2, 32, 48), bool)}, {"data": np.ones((2, 32, 48), ">u2")},
        {"data": np.full((2, 32, 48), 1e300)}, {"data": np.ones((32, 48), "u2")},
        {"data": np.zeros((2, 32, 48), [("a", "u2"), ("b", "f4")])}, {"data": np.arange(48.0)},
        {"data": np.array(["Cu", "Zn"], dtype=object), "dtype": text_type},
        {"data": np.array(["", "\u202e", "x" * 9000], dtype=object), "dtype": text_type},
        {"shape": (2, 10**6, 10**6), "dtype": "u2", "chunks": (1, 1024, 1024)},
        {"shape": (2, 20_000, 20_000), "dtype": "u2", "chunks": (1, 64, 64), "compression": "gzip"},
        {"shape": (2, 32, 48), "dtype": "u2", "chunks": (2, 32, 48), "fillvalue": 7},
        {"shape": (2, 32, 48), "dtype": "f8", "fillvalue": math.nan},
        {"shape": (2, 32, 48), "dtype": "u2", "external": [(str(foreign), 0, 6144)]},
        {"shape": (2, 32, 48), "dtype": "u2", "maxshape": (None, None, None), "chunks": True},
        {"data": np.ones((2, 32, 48), "u2"), "compression": "lzf", "shuffle": True},
        {"data": np.ones((2, 32, 48), "u2"), "fletcher32": True},
        {"data": np.ones((2, 32, 48), "i4"), "scaleoffset": 0},
        {"shape": (3,), "dtype": h5py.ref_dtype}, {"shape": (3,), "dtype": h5py.vlen_dtype("f8")},
        {"data": np.ones(2, "V7")}, {"shape": (10**9,), "dtype": "f8", "chunks": (1000,)},
    )  # fmt: skip
    place = int(rng.integers(len(forms)))
    group.create_dataset(name, **forms[place])
    return place


def hdf5(file, rng):
    """Injure an HDF5 file through its own library: objects, attributes, links."""
    import h5py

    foreign = file.parent / "foreign.bin"
    with h5py.File(file, "r+") as held:
        names = ["/"]
        held.visit(names.append)
        name = pick(rng, names)
        kind = pick(rng, ("attribute", "attribute", "attribute", "unsaid", "data", "data", "gone",
                          "moved", "link", "virtual"))  # fmt: skip
        item = held[name]
        if kind == "attribute" or (name == "/" and kind in ("data", "gone", "moved")):
            kind = "attribute"
            known = list(item.attrs)
            which = pick(rng, known) if known and rng.random() < 0.6 else pick(rng, _ATTRIBUTES)
            if which in item.attrs:
                del item.attrs[which]
            item.attrs[which] = _h5_value(rng)
            kind = f"attribute {which}"
        elif kind == "unsaid":
            for which in list(item.attrs)[: int(rng.integers(1, 4))]:
                del item.attrs[which]
        elif kind == "gone":
            del held[name]
        elif kind == "moved":
            held.move(name, pick(rng, ("Xx", "a/b/c", "é", "x" * 5000, " ", "Zn_Ka_", "SE")))
        elif kind == "link":
            new = pick(rng, ("a", "data", "counts", "Fe_Ka"))
            group = item if isinstance(item, h5py.Group) else item.parent
            link = pick(rng, (
                h5py.SoftLink("/"), h5py.SoftLink("/nowhere"), h5py.ExternalLink("x.h5", "/"),
                h5py.ExternalLink(file.name, "/"), h5py.SoftLink(new), held["/"],
            ))  # fmt: skip
            if new not in group:
                group[new] = link
        else:
            parent, base = item.parent, name.rsplit("/", 1)[-1]
            attributes = dict(item.attrs) if rng.random() < 0.5 else {}
            if name == "/":
                parent, base = held, "odd"
            elif name in held:
                del held[name]
            if kind == "virtual":
                layout = h5py.VirtualLayout((2, 32, 48), "u2")
                layout[:] = h5py.VirtualSource(pick(rng, (".", "other.h5")), "/x", (2, 32, 48))
                made = parent.create_virtual_dataset(base, layout)
            else:
                foreign.write_bytes(bytes(6144))
                kind = f"data {_h5_dataset(parent, base, rng, foreign)}"
                made = parent[base]
            for key, one in attributes.items():
                try:
                    made.attrs[key] = one
                except (TypeError, OSError, ValueError, RuntimeError):
                    continue
    return f"hdf5: {kind}"


def hdf5_bytes(file, rng):
    """Injure an HDF5 file near the marks of its headers, trees and heaps."""
    out = bytearray(file.read_bytes())
    places = [found.start() for mark in _MARKS for found in re.finditer(re.escape(mark), out)]
    for _ in range(int(rng.integers(1, 4))):
        at = pick(rng, places) + int(rng.integers(4, 200)) if places else 0
        if at + 8 >= len(out):
            continue
        width = int(pick(rng, (1, 1, 2, 4, 8)))
        out[at : at + width] = number(rng, 8 * width).to_bytes(width, "little")
    file.write_bytes(out)
    return "hdf5: near a mark"


# --- JSON, Zarr and sidecars ---------------------------------------------------------------------


def _places(held, here=()):
    """Yield the way to everything within a JSON value."""
    items = held.items() if isinstance(held, dict) else enumerate(held)
    for key, inner in items:
        yield (*here, key)
        if isinstance(inner, (dict, list)):
            yield from _places(inner, (*here, key))


def json_text(file, rng):
    """Injure a JSON document: change, drop, rename or double anything in it."""
    held = json.loads(file.read_text(encoding="utf-8"))
    kind = pick(
        rng, ("value", "value", "value", "value", "near", "gone", "rename", "inner", "text")
    )
    way = pick(rng, list(_places(held)) or [()])
    if not way:
        return some_bytes(file, rng)
    inner = held
    for key in way[:-1]:
        inner = inner[key]
    old = inner[way[-1]]
    name = next((key for key in reversed(way) if isinstance(key, str)), "")
    if kind == "near" and isinstance(old, int):
        inner[way[-1]] = old + int(pick(rng, (-1, 1, -old, old)))
    elif kind == "inner" and isinstance(old, str) and old.startswith("{"):
        deeper = json.loads(old)
        deep = list(_places(deeper))
        if deep:
            at = pick(rng, deep)
            below = deeper
            for key in at[:-1]:
                below = below[key]
            below[at[-1]] = value(rng)
            name = str(at[-1])
        inner[way[-1]] = json.dumps(deeper)
    elif kind == "gone":
        del inner[way[-1]]
    elif kind == "rename" and isinstance(inner, dict):
        inner[pick(rng, TEXTS)] = inner.pop(way[-1])
    elif kind == "text":
        said = json.dumps(held)
        at = int(rng.integers(len(said)))
        said = pick(
            rng,
            (
                said[:at],
                said + said,
                "[" * 100_000,
                said[:at] + "\0" + said[at:],
                "null",
                "3",
                "{}",
                "[]",
                said.replace("}", ',"a":1,"a":2}', 1),
            ),
        )
        file.write_text(said, encoding="utf-8")
        return "json: text"
    else:
        inner[way[-1]] = value(rng)
    file.write_text(json.dumps(held), encoding="utf-8")
    return f"json: {kind} of {name}"


def chunk(file, rng):
    """Injure a stored chunk or shard: its length, its bytes, the index at its end."""
    data = bytearray(file.read_bytes())
    kind = pick(rng, ("cut", "longer", "noise", "bomb", "bomb", "index", "index", "zeros", "head"))
    if kind == "cut":
        data = data[: int(rng.integers(len(data) + 1))]
    elif kind == "longer":
        data += rng.bytes(int(rng.integers(1, 5000)))
    elif kind == "noise":
        data = bytearray(rng.bytes(len(data)))
    elif kind == "zeros":
        data = bytearray(len(data))
    elif kind == "head":
        for _ in range(3):
            data[int(rng.integers(min(20, len(data))))] = int(rng.integers(256))
    elif kind == "bomb":
        data = bytearray(_bomb(pick(rng, ("zstd", "gzip", "zlib", "blosc"))))
    elif len(data) > 20:  # a shard ends with (place, length) of each chunk and a CRC-32C
        import google_crc32c

        entries = int(pick(rng, (1, 1, 2, 4)))
        start = max(0, len(data) - 4 - 16 * entries)
        at = start + 8 * int(rng.integers(2 * entries))
        struct.pack_into("<Q", data, min(at, len(data) - 12), number(rng, 64))
        data[-4:] = struct.pack("<I", google_crc32c.value(bytes(data[start:-4])))
    file.write_bytes(data)
    return f"chunk: {kind}"


_BOMBS = {}


def _bomb(kind):
    if kind not in _BOMBS:
        import imagecodecs
        import numcodecs

        zeros = bytes(2**28)
        _BOMBS[kind] = {
            "zstd": lambda: imagecodecs.zstd_encode(zeros),
            "gzip": lambda: gzip.compress(zeros, 1),
            "zlib": lambda: zlib.compress(zeros, 1),
            "blosc": lambda: numcodecs.blosc.compress(zeros, b"zstd", 5, 1),
        }[kind]()
    return _BOMBS[kind]


_TOML = (
    *map(str, NUMBERS),
    "nan",
    "inf",
    "-inf",
    "1e400",
    "true",
    "''",
    "'Cu'",
    '"a\\u0000b"',
    "[]",
    "{}",
    "[1, 'a']",
    "{a = 1}",
    "{a = {b = {c = 1}}}",
    "[[1], [2]]",
    "1979-05-27",
    "07:32:00",
    "'" + "x" * 70_000 + "'",
    "[" * 2000 + "]" * 2000,
    "9" * 5000,
    '"\\u202e"',
    "'../..'",
    "'/etc/passwd'",
    "'Cu Ka'",
    "'counts'",
    "'net_counts'",
    "'intensity'",
    "'flipped'",
    "'Cu_Ka.tif'",
    "0x7f",
    "1_0",
    "'''\n'''",
)


def toml(file, rng):
    """Injure a sidecar or a settings file: a value, a key, a table, its text."""
    rows = file.read_text(encoding="utf-8").splitlines()
    kind = pick(
        rng, ("value", "value", "value", "value", "key", "twice", "table", "text", "encoding")
    )
    place = pick(rng, [k for k, row in enumerate(rows) if "=" in row] or [0])
    key = rows[place].partition("=")[0].strip()
    encoding = "utf-8"
    if kind == "value":
        rows[place] = f"{key} = {pick(rng, _TOML)}"
    elif kind == "key":
        new = pick(rng, ("Cu", "pixel_size", "''", "a.b", "é", "blank", "title", '"\\n"', "crop"))
        rows[place] = f"{new} = {pick(rng, _TOML)}"
    elif kind == "twice":
        rows.insert(place, rows[place])
    elif kind == "table":
        rows.append(f"[{pick(rng, ('alloy', 'process', 'a.b.c', 'lines', 'x', '[x]', 'title'))}]")
        rows.append(f"{pick(rng, ('Cu', 'Qx', 'a', 'charge_J'))} = {pick(rng, _TOML)}")
    elif kind == "text":
        said = "\n".join(rows)
        at = int(rng.integers(len(said)))
        said = (
            said[:at] + pick(rng, ("\0", "=", "[", '"', "'''", "\n", "\r", "\x1b[2J")) + said[at:]
        )
        rows = [said]
    else:
        encoding = pick(rng, ("utf-16", "latin-1", "utf-8-sig", "utf-32"))
        rows.append("# µ é")
    file.write_bytes("\n".join(rows).encode(encoding, "surrogatepass"))
    return f"toml: {kind} of {key}"


def table(file, rng):
    """Injure a CSV table of paths and values."""
    rows = [row.split(",") for row in file.read_text(encoding="utf-8").splitlines()]
    place, column = int(rng.integers(len(rows))), int(rng.integers(len(rows[0])))
    kind = pick(rng, ("cell", "cell", "cell", "row", "twice", "head", "column", "text"))
    if kind == "cell":
        rows[place][column] = pick(
            rng,
            (
                *_CELLS,
                *map(str, NUMBERS),
                *TEXTS,
                "maps",
                "maps/",
                "./maps",
                "table.csv",
                "file:///x",
                "C:\\x",
                "CON",
                "~",
            ),
        )
    elif kind == "row":
        rows[place] = rows[place][: int(rng.integers(len(rows[0]) + 1))]
    elif kind == "twice":
        rows.append(rows[place])
    elif kind == "head":
        rows[0][column] = pick(
            rng, ("", "path", "PATH", " path ", "x_px", "y_um", "é", "title", "=1")
        )
    elif kind == "column":
        rows = [row[:column] + row[column + 1 :] for row in rows]
    said = "\n".join(",".join(row) for row in rows) + "\n"
    if kind == "text":
        at = int(rng.integers(len(said)))
        said = said[:at] + pick(rng, ('"', "\0", "\r", "\n", ";", "\t", '""', "'")) + said[at:]
    file.write_bytes(said.encode("utf-8", "replace"))
    return f"table: {kind} of column {column}"


def fitting(file, rng):
    """Return the injury that fits a file, now and then one that fits any."""
    chance = rng.random()
    if chance < 0.15:
        return some_bytes
    if chance < 0.2:
        return whole
    if chance < 0.22 and hasattr(os, "mkfifo"):
        return oddity
    name = file.name.lower()
    if name in ("zarr.json", ".zarray", ".zgroup", ".zattrs", ".zmetadata"):
        return json_text
    if any(part.endswith((".zarr", ".zspy")) for part in file.parts[:-1]):
        return chunk
    if name.endswith((".h5", ".hspy", ".nc", ".nxs")):
        return hdf5 if rng.random() < 0.7 else hdf5_bytes
    if name.endswith(".ome.tif"):
        return ome if rng.random() < 0.6 else tiff
    if name in ("table.csv", "sheet.csv", "tiles.csv") and name != "table.csv":
        return table
    by_ending = {".tif": tiff, ".png": png, ".bmp": bmp, ".jpg": jpeg, ".csv": text, ".txt": text,
                 ".tsv": text, ".gz": text, ".npy": npy, ".npz": npz, ".rpl": header,
                 ".toml": toml}  # fmt: skip
    return by_ending.get(file.suffix.lower(), some_bytes)
