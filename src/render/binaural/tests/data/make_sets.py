"""Makes the two invented head sets beside this file (h5py 3.16.0, HDF5 2.0.0).

Invented responses of no head, symmetric to left and right, every number exact in binary:
the tests know the formula. `python3 make_sets.py`

plain.sofa    earliest format, contiguous, 64-bit, texts of fixed length, spherical places
packed.sofa   latest format, chunked, shuffled and deflated, 32-bit, texts of variable length,
              Cartesian places, delays with a half sample, the right ear first
"""

import h5py
import numpy as np

DIRECTIONS = [(0, 0), (30, 0), (-30, 0), (90, 0), (-90, 0), (135, 0), (-135, 0), (180, 0),
              (45, 30), (-45, 30), (135, 30), (-135, 30)]
TAPS = 64


def tap(azimuth, elevation, k):
    return ((azimuth * 37 + elevation * 101 + k * 7919 + 1_000_003) % 4001 - 2000) / 4096 / 2 ** (k // 8)


def other(azimuth):
    return azimuth if azimuth == 180 else -azimuth


def make(name, libver, packed):
    left = np.array([[tap(a, e, k) for k in range(TAPS)] for a, e in DIRECTIONS])
    right = np.array([[tap(other(a), e, k) for k in range(TAPS)] for a, e in DIRECTIONS])
    late = np.array([[3.0, 12.5] if 0 < a < 180 else [12.5, 3.0] if a < 0 else [6.0, 6.0] for a, _ in DIRECTIONS])
    text = str if packed else np.bytes_
    how = dict(compression="gzip", shuffle=True) if packed else {}
    with h5py.File(name, "w", libver=libver, track_order=packed) as file:
        for key, value in {
            "Conventions": "SOFA", "Version": "2.1", "SOFAConventions": "SimpleFreeFieldHRIR",
            "SOFAConventionsVersion": "1.0", "DataType": "FIR", "RoomType": "free field",
            "Title": "Invented " + name.split(".")[0], "DatabaseName": "Tallow Street",
            "ListenerShortName": "nobody", "License": "CC0-1.0\nno rights reserved",
        }.items():
            file.attrs[key] = text(value)

        def array(name, values, **attributes):
            values = np.asarray(values, dtype="f4" if packed and name == "Data.IR" else "f8")
            chunks = (5, 1, 40) if values.shape == (12, 2, 64) else (5, 2) if values.shape == (12, 3) else True
            made = file.create_dataset(name, data=values, **how, **(dict(chunks=chunks) if packed else {}))
            for key, value in attributes.items():
                made.attrs[key] = text(value)

        array("Data.SamplingRate", [48000.0], Units="hertz")
        array("ListenerView", [[1.0, 0.0, 0.0]], Type="cartesian", Units="metre")
        if packed:
            radians = np.radians(np.array(DIRECTIONS, dtype=float))
            places = 2 * np.stack([np.cos(radians[:, 1]) * np.cos(radians[:, 0]),
                                   np.cos(radians[:, 1]) * np.sin(radians[:, 0]), np.sin(radians[:, 1])], 1)
            array("SourcePosition", places, Type="cartesian", Units="metre")
            array("ReceiverPosition", [[[0], [-0.09], [0]], [[0], [0.09], [0]]], Type="cartesian", Units="metre")
            array("Data.IR", np.stack([right, left], 1))
            array("Data.Delay", late[:, ::-1])
        else:
            places = [(a % 360, e, 1.5) for a, e in DIRECTIONS]
            array("SourcePosition", places, Type="spherical", Units="degree, degree, metre")
            array("Data.IR", np.stack([left, right], 1))
            array("Data.Delay", [[0.0, 0.0]])


make("plain.sofa", "earliest", packed=False)
make("packed.sofa", "latest", packed=True)
