"""Writes WAVE and BW64 files byte by byte, so that a case can also write a wrong one.

In: float array [frame, channel], full scale 1.0, already on its grid of steps. Out: a file. Knows no case.
Sources: EBU Tech 3285 (bext), EBU Tech 3306 and ITU-R BS.2088-1 (ds64, chna, axml); field layouts from memory.
"""
import struct

import numpy as np

MASK_51 = 0x3F
PCM_SUBTYPE = bytes.fromhex("0100000000001000800000aa00389b71")
FLOAT_SUBTYPE = bytes.fromhex("0300000000001000800000aa00389b71")


def encode(x, bits):
    if bits == "float":
        return np.ascontiguousarray(x, dtype="<f4").tobytes()
    scale = 2.0 ** (bits - 1)
    i = np.clip(np.rint(x * scale), -scale, scale - 1).astype("<i4")
    if bits == 16:
        return i.astype("<i2").tobytes()
    return i.reshape(-1, 1).view(np.uint8).reshape(-1, 4)[:, :3].tobytes()


def fmt(channels, rate, bits, mask):
    """`mask` None: the plain form; a number: the extensible one, 0 = no loudspeaker named."""
    depth = 32 if bits == "float" else bits
    frame = channels * depth // 8
    tag = 3 if bits == "float" else 1
    if mask is None:
        return struct.pack("<HHIIHH", tag, channels, rate, rate * frame, frame, depth)
    return struct.pack("<HHIIHHHHI16s", 0xFFFE, channels, rate, rate * frame, frame, depth, 22, depth, mask, PCM_SUBTYPE if tag == 1 else FLOAT_SUBTYPE)


def bext(loudness=None, true_peak=None, date="2026-03-01", description=""):
    """Version 2; figures in hundredths, 0x7FFF = not set."""
    def field(v):
        return 0x7FFF if v is None else int(round(v * 100))
    head = struct.pack("<256s32s32s10s8sQH64s", description.encode(), b"", b"", date.encode(), b"12:00:00", 0, 2, b"")
    return head + struct.pack("<hhhhh180s", field(loudness), 0x7FFF, field(true_peak), 0x7FFF, 0x7FFF, b"")


def info(**texts):
    body = b"INFO"
    for key, text in texts.items():
        raw = text.encode() + b"\0"
        body += key.encode() + struct.pack("<I", len(raw)) + raw + b"\0" * (len(raw) % 2)
    return body


def write(path, x, rate, bits=24, mask=None, before=(), after=(), bw64=False, shorten=0):
    """`before`, `after`: (id, bytes) around the data chunk; `shorten`: bytes that the end of the file lacks."""
    data = encode(x, bits)

    def chunk(name, body):
        return name.encode() + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)
    head = b"".join(chunk(n, b) for n, b in before)
    tail = b"\0" * (len(data) % 2) + b"".join(chunk(n, b) for n, b in after)
    form = chunk("fmt ", fmt(x.shape[1], rate, bits, mask))
    size = 4 + len(form) + len(head) + 8 + len(data) + len(tail)
    if bw64:
        size += 36
        ds64 = b"ds64" + struct.pack("<IQQQI", 28, size, len(data), 0, 0)
        raw = [b"BW64", struct.pack("<I", 0xFFFFFFFF), b"WAVE", ds64, form, head, b"data", struct.pack("<I", 0xFFFFFFFF), data, tail]
    else:
        raw = [b"RIFF", struct.pack("<I", size), b"WAVE", form, head, b"data", struct.pack("<I", len(data)), data, tail]
    raw = b"".join(raw)
    with open(path, "wb") as f:
        f.write(raw[:len(raw) - shorten])


def data_offset(mask=None, before=()):
    """Where the samples begin in a file that `write` makes without ds64."""
    return 12 + 8 + (16 if mask is None else 40) + sum(8 + len(b) + len(b) % 2 for _, b in before) + 8
