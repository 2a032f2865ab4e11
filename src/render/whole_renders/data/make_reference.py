"""Renders every programme of reference.xml with the reference renderer of BS.2127 (ear 2.1.0, numpy 1.26)
and keeps every 229th sample: reference.f64. `python3 make_reference.py`

reference.f64: little-endian doubles; layouts in the order below, in each the programmes in the order of their
ids, in each the loudspeakers in output order, in each the kept samples.

Track t (from 1) is a linear congruential noise, the same as in the tests: x = t at first, then for every sample
x = (1664525 x + 1013904223) mod 2^32; the sample is (x >> 8) / 2^24 - 1/2. A UID's last four digits are its track.
"""
import re
import warnings

import numpy as np
from ear.core import Renderer, bs2051
from ear.core.select_items import select_rendering_items
from ear.fileio.adm.adm import ADM
from ear.fileio.adm.chna import load_chna_chunk
from ear.fileio.adm.common_definitions import load_common_definitions
from ear.fileio.adm.xml import load_axml_string
from ear.fileio.bw64.chunks import AudioID, ChnaChunk

LAYOUTS = ["0+2+0", "0+5+0", "3+7+0", "4+5+0", "4+7+0", "9+10+3"]
RATE, FRAMES, TRACKS, EVERY = 48000, 4800, 9, 229


def noise(track):
    x, out = track, np.empty(FRAMES)
    for n in range(FRAMES):
        x = (1664525 * x + 1013904223) % 2 ** 32
        out[n] = (x >> 8) / 2 ** 24 - 0.5
    return out


def load(xml):
    adm = ADM()
    load_common_definitions(adm)
    load_axml_string(adm, xml)
    chna = ChnaChunk()
    chna.audioIDs = [AudioID(int(uid.id[-4:], 16), uid.id, uid.audioTrackFormat.id, uid.audioPackFormat.id)
                     for uid in adm.audioTrackUIDs]
    load_chna_chunk(adm, chna)
    return adm


def main():
    warnings.simplefilter("ignore")
    xml = open("reference.xml", "rb").read()
    programmes = sorted(re.findall(r'audioProgrammeID="(\w+)"', xml.decode()))
    samples = np.stack([noise(track + 1) for track in range(TRACKS)], 1)
    kept = []
    for layout in LAYOUTS:
        for programme in programmes:
            adm = load(xml)
            renderer = Renderer(bs2051.get_layout(layout))
            renderer.set_rendering_items(select_rendering_items(adm, audio_programme=adm[programme]))
            out = np.concatenate([renderer.render(RATE, samples), renderer.get_tail(RATE, TRACKS)])
            assert len(out) == FRAMES
            kept.append(out[::EVERY].T.ravel())
    np.concatenate(kept).astype("<f8").tofile("reference.f64")


main()
