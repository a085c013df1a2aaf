"""Files that no muxer here can write, built from the facts of their headers: camera raw, frames, sidecars."""

from __future__ import annotations

import struct
from collections.abc import Sequence

Fields = list[tuple[int, int, list[int]]]
"""Fields of a TIFF directory: tag, type, values."""


def pattern(length: int, seed: int = 1) -> bytes:
    """Bytes that are nowhere zero and look like compressed essence."""
    return bytes((index * 31 + seed * 17 + (index >> 5)) % 255 + 1 for index in range(length))


# --- boxes


def box(code: bytes, payload: bytes = b"") -> bytes:
    """An ISO box with a 32-bit size."""
    return struct.pack(">I", len(payload) + 8) + code + payload


def large_box(code: bytes, payload: bytes) -> bytes:
    """An ISO box with a 64-bit size."""
    return struct.pack(">I4sQ", 1, code, len(payload) + 16) + payload


def track(sizes: list[int], offsets: list[int], *, kind: bytes = b"vide", codec: bytes = b"brvn", co64: bool = False,
          duration: int = 1000) -> bytes:  # fmt: skip
    """A `trak` with one sample per chunk."""
    full = bytes(4)
    table = box(
        b"stbl",
        box(b"stsd", full + struct.pack(">I", 1) + box(codec, bytes(6) + b"\0\1" + bytes(70)))
        + box(b"stts", full + struct.pack(">III", 1, len(sizes), 40))
        + box(b"stsc", full + struct.pack(">IIII", 1, 1, 1, 1))
        + box(b"stsz", full + struct.pack(f">II{len(sizes)}I", 0, len(sizes), *sizes))
        + box(
            b"co64" if co64 else b"stco",
            full + struct.pack(f">I{len(offsets)}{'Q' if co64 else 'I'}", len(offsets), *offsets),
        ),
    )
    reference = box(b"dinf", box(b"dref", full + struct.pack(">I", 1) + box(b"url ", b"\0\0\0\1")))
    media = box(
        b"mdia",
        box(b"mdhd", full + struct.pack(">IIIIHH", 0, 0, 1000, duration, 0, 0))
        + box(b"hdlr", full + b"mhlr" + kind + bytes(12) + b"\0")
        + box(b"minf", box(b"vmhd", bytes(12)) + reference + table),
    )
    return box(b"trak", box(b"tkhd", bytes(84)) + media)


def movie(tracks: bytes, *, duration: int = 1000, after: bytes = b"") -> bytes:
    """A `moov`."""
    header = box(b"mvhd", bytes(4) + struct.pack(">IIII", 0, 0, 1000, duration) + bytes(80))
    return box(b"moov", header + tracks + after)


def camera_raw(*, wide_size: bool = True, extra: bytes = b"", frames: int = 6) -> bytes:
    """Like a braw or crm file: media data first with a 64-bit size, then the index."""
    samples = [pattern(1500 + number * 111, number) for number in range(frames)]
    start = box(b"ftyp", b"qt  \0\0\0\0qt  ") + box(b"wide")
    data = b"".join(samples)
    at = len(start) + (16 if wide_size else 8)
    offsets = [at + sum(len(sample) for sample in samples[:number]) for number in range(frames)]
    media = (large_box if wide_size else box)(b"mdat", data)
    index = movie(track([len(sample) for sample in samples], offsets, co64=wide_size))
    return start + media + extra + index


# --- segmented raw


def segment(frames: int = 5, *, closed: bool = True) -> bytes:
    """Like an r3d segment: a first block, frames and sound, the closing block."""

    def block(code: bytes, length: int) -> bytes:
        return struct.pack(">I4s", length, code) + pattern(length - 8, length)

    out = block(b"RED2", 512)
    for number in range(frames):
        out += block(b"REDV", 4096 + number * 512) + block(b"REDA", 1024)
    return out + (block(b"REOB", 56) if closed else b"")


# --- frames


def dpx(*, order: str = ">", size: tuple[int, int] = (64, 48), bits: int = 10, tail: bytes = b"") -> bytes:
    """A DPX frame, RGB, filled to words."""
    wide, high = size
    picture = pattern(wide * high * 4 if bits == 10 else wide * high * 3 * bits // 8)
    head = bytearray(2048)
    struct.pack_into(order + "4sI8sI", head, 0, b"SDPX" if order == ">" else b"XPDS", 2048, b"V2.0", 0)
    struct.pack_into(order + "I", head, 16, 2048 + len(picture) + len(tail))
    struct.pack_into(order + "HHII", head, 768, 0, 1, wide, high)
    struct.pack_into(order + "BBBBHHI", head, 800, 50, 2, 2, bits, 1 if bits == 10 else 0, 0, 2048)
    return bytes(head) + picture + tail


def exr(*, lines: int = 40, compression: int = 3, backwards: bool = False, tiled: bool = False) -> bytes:
    """An OpenEXR frame of half floats; its chunks are patterns of odd lengths."""

    def attribute(name: bytes, kind: bytes, value: bytes) -> bytes:
        return name + b"\0" + kind + b"\0" + struct.pack("<I", len(value)) + value

    wide = 64
    channels = b"".join(name + b"\0" + struct.pack("<iB3xii", 1, 0, 1, 1) for name in (b"B", b"G", b"R")) + b"\0"
    window = struct.pack("<4i", 0, 0, wide - 1, lines - 1)
    head = b"\x76\x2f\x31\x01" + struct.pack("<I", 2 | (0x200 if tiled else 0))
    head += attribute(b"channels", b"chlist", channels) + attribute(
        b"compression", b"compression", bytes([compression])
    )
    head += attribute(b"dataWindow", b"box2i", window) + attribute(b"displayWindow", b"box2i", window)
    head += attribute(b"lineOrder", b"lineOrder", bytes([int(backwards)]))
    if tiled:
        head += attribute(b"tiles", b"tiledesc", struct.pack("<IIB", 16, 16, 0))
    head += b"\0"
    each = {0: 1, 1: 1, 2: 1, 3: 16, 4: 32}[compression]
    count = -(-lines // 16) * (wide // 16) if tiled else -(-lines // each)
    chunks: list[bytes] = []
    for number in range(count):
        data = pattern(301 + number * 7, number)
        where = struct.pack("<4i", number % 4, number // 4, 0, 0) if tiled else struct.pack("<i", number * each)
        chunks.append(where + struct.pack("<I", len(data)) + data)
    order = list(range(count))[::-1] if backwards else list(range(count))
    position = len(head) + count * 8
    offsets = [0] * count
    body = b""
    for number in order:
        offsets[number] = position + len(body)
        body += chunks[number]
    return head + struct.pack(f"<{count}Q", *offsets) + body


def ari(*, compressed: bool = False, size: tuple[int, int] = (64, 48)) -> bytes:
    """A frame of camera raw: 4096 bytes of header, 12 bits a pixel, or something shorter."""
    wide, high = size
    head = struct.pack("<4sIII4xII", b"ARRI", 0x12345678, 4096, 3, wide, high).ljust(4096, b"\x11")
    return head + pattern(2222 if compressed else wide * high * 12 // 8)


def dng(
    *, order: str = "<", big: bool = False, tiles: bool = True, said: Sequence[tuple[int, int, list[int]]] = ()
) -> bytes:
    """A DNG: a small preview in the first directory, the raw picture in tiles (or one strip) in a sub-directory.
    `said` is what else stands in the first one."""
    number, width = ("Q", 8) if big else ("I", 4)
    head_bytes = 16 if big else 8

    def directory(fields: Fields, at: int, following: int = 0) -> bytes:
        codes = {1: "B", 2: "B", 3: "H", 4: "I", 10: "i", 16: "Q"}
        entry_bytes = 20 if big else 12
        out = struct.pack(order + ("Q" if big else "H"), len(fields))
        outside = at + len(out) + len(fields) * entry_bytes + width
        values = b""
        for tag, kind, numbers in sorted(fields):
            packed = struct.pack(f"{order}{len(numbers)}{codes[kind]}", *numbers)
            count = len(numbers) // 2 if kind == 10 else len(numbers)
            out += struct.pack(f"{order}HH{number}", tag, kind, count)
            if len(packed) <= width:
                out += packed.ljust(width, b"\0")
            else:
                out += struct.pack(order + number, outside + len(values))
                values += packed + b"\0" * (len(packed) % 2)
        return out + struct.pack(order + number, following) + values

    def picture(at: int, parts: list[int], *, tiled: bool, compression: int, extra: Fields) -> Fields:
        places = [at + sum(parts[:part]) for part in range(len(parts))]
        wide, high = (64, 48) if at >= raw_at else (16, 12)
        return [
            (256, 3, [wide]), (257, 3, [high]), (258, 3, [16]), (259, 3, [compression]), (262, 3, [32803]),
            (324 if tiled else 273, 16 if big else 4, places), (325 if tiled else 279, 4, parts), *extra,
        ]  # fmt: skip

    preview, raw = [500], [700, 710, 720, 731] if tiles else [64 * 48 * 2]
    compression = 7 if tiles else 1
    sub_at = head_bytes + 400
    data_at = sub_at + 400
    raw_at = data_at + sum(preview)
    about = [(254, 4, [1]), (330, 4, [sub_at]), (50706, 4, [0x0401]), *said]
    first = picture(data_at, preview, tiled=False, compression=7, extra=about)
    second = picture(raw_at, raw, tiled=tiles, compression=compression, extra=[])
    mark = b"II" if order == "<" else b"MM"
    head = mark + (
        struct.pack(order + "HHHQ", 43, 8, 0, head_bytes) if big else struct.pack(order + "HI", 42, head_bytes)
    )
    out = (head + directory(first, head_bytes)).ljust(sub_at, b"\0")
    out = (out + directory(second, sub_at)).ljust(data_at, b"\0")
    return out + pattern(sum(preview)) + pattern(sum(raw), 3)


INDEX_XML = (
    b'<?xml version="1.0" encoding="UTF-8"?>\n<MediaProfile version="2.00">\n  <Contents>\n'
    b'    <Material uri="./CLIP/A003C001.MP4" type="MP4"/>\n    <Material uri="./CLIP/A003C002.MP4" type="MP4"/>\n'
    b"  </Contents>\n</MediaProfile>\n"
)


def files() -> dict[str, bytes]:
    """All of them by name."""
    return {
        "A003C001.braw": camera_raw(),
        "A003C002.crm": camera_raw(wide_size=False),
        "A001_C001_001.r3d": segment(),
        "frame-10.dpx": dpx(),
        "frame-little.dpx": dpx(order="<"),
        "frame-16.dpx": dpx(bits=16),
        "frame-zip.exr": exr(),
        "frame-plain.exr": exr(compression=0),
        "frame-piz.exr": exr(compression=4),
        "frame-backwards.exr": exr(backwards=True),
        "frame-tiles.exr": exr(tiled=True),
        "frame.ari": ari(),
        "frame.arx": ari(compressed=True),
        "frame.dng": dng(),
        "frame-strip.dng": dng(tiles=False),
        "frame-mm.dng": dng(order=">"),
        "frame-big.dng": dng(big=True),
        "MEDIAPRO.XML": INDEX_XML,
    }
