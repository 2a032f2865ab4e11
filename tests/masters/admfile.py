"""A small object-based master: a bed, moving objects, and the file that holds them.

`Master` is plain data, so that a mastering move or a fault is a change of it. `write` gives BW64 with chna and axml
(ITU-R BS.2088-1, BS.2076-2; element names from memory of the standards). Paths are functions of time in seconds that
give (azimuth, elevation, distance), azimuth positive to the left (BS.2051); blocks sample them.
"""
import copy
import math
import struct
from dataclasses import dataclass, field, replace

import numpy as np

import wavefile

# speakerLabel, azimuth, elevation, low-pass in Hz (BS.2051-3 labels and nominal positions)
BED_51 = [("M+030", 30, 0, None), ("M-030", -30, 0, None), ("M+000", 0, 0, None), ("LFE1", 0, -30, 120),
          ("M+110", 110, 0, None), ("M-110", -110, 0, None)]
BED_712 = [("M+030", 30, 0, None), ("M-030", -30, 0, None), ("M+000", 0, 0, None), ("LFE1", 0, -30, 120),
           ("M+090", 90, 0, None), ("M-090", -90, 0, None), ("M+135", 135, 0, None), ("M-135", -135, 0, None),
           ("U+090", 90, 45, None), ("U-090", -90, 45, None)]
NAMES = {"M+030": "FrontLeft", "M-030": "FrontRight", "M+000": "FrontCentre", "LFE1": "LFE", "M+110": "SurroundLeft",
         "M-110": "SurroundRight", "M+090": "SideLeft", "M-090": "SideRight", "M+135": "BackLeft", "M-135": "BackRight",
         "U+090": "TopSideLeft", "U-090": "TopSideRight"}


@dataclass
class Blocks:
    """How a path is written: grid in seconds, interpolated or jumping, polar or Cartesian, rounding."""
    grid: float = 0.04
    jump: bool = True
    interpolation: float = 0.005
    cartesian: bool = False
    plain: bool = False  # coordinates turned by plain trigonometry in place of the standard's conversion
    step: float = 0.0
    last: float = 0.0


@dataclass
class Item:
    name: str
    path: object
    blocks: Blocks = field(default_factory=Blocks)
    mute: bool = False


@dataclass
class Master:
    bed: list
    items: list
    audio: np.ndarray
    rate: int = 48000
    name: str = "Master"
    channel_names: list = None

    def track(self, part):
        """Column of an object by name, or of a bed channel by label."""
        for k, channel in enumerate(self.bed):
            if channel[0] == part:
                return k
        return len(self.bed) + [i.name for i in self.items].index(part)

    def copy(self):
        return replace(self, bed=list(self.bed), items=[copy.copy(i) for i in self.items], audio=self.audio.copy(),
                       channel_names=None if self.channel_names is None else list(self.channel_names))


def to_cartesian(azimuth, elevation, distance):
    """ITU-R BS.2127-1 clause 10.1 (point conversion), formulas from memory; within 1e-15 of the reference renderer's."""
    up = abs(elevation)
    if up > 30:
        tilt = 45 + 45 * (up - 30) / 60
        z, radius = distance * math.copysign(1, elevation), distance * math.tan(math.radians(90 - tilt))
    else:
        z, radius = math.copysign(math.tan(math.radians(45 * up / 30)), elevation) * distance, distance
    corners = [(30, (-1, 1)), (0, (0, 1)), (-30, (1, 1)), (-110, (1, -1)), (-250, (-1, -1)), (-330, (-1, 1))]
    angle = (azimuth - 30) % -360 + 30  # 30 down to -330
    for (left, p), (right, q) in zip(corners, corners[1:]):
        if angle >= right:
            middle, half = (left + right) / 2, (right - left) / 2
            gain = 0.5 + 0.5 * math.tan(math.radians(angle - middle)) / math.tan(math.radians(half))
            part = math.atan2(gain, 1 - gain) * 2 / math.pi
            return tuple(radius * (a + (b - a) * part) for a, b in zip(p, q)) + (z,)
    raise ValueError(azimuth)


def _time(seconds):
    whole = int(seconds)
    return "%02d:%02d:%02d.%05d" % (whole // 3600, whole // 60 % 60, whole % 60, round((seconds - whole) * 1e5))


def _number(value):
    return ("%.6f" % value).rstrip("0").rstrip(".") or "0"


def _block(position, how, at=None, length=None, gain=None):
    attributes = "" if at is None else ' rtime="%s" duration="%s"' % (_time(at), _time(length))
    azimuth = (position[0] + 180) % 360 - 180
    if how.cartesian and how.plain:
        a, e = math.radians(azimuth), math.radians(position[1])
        values = tuple(position[2] * v for v in (-math.sin(a) * math.cos(e), math.cos(a) * math.cos(e), math.sin(e)))
        body, axes = "<cartesian>1</cartesian>", "XYZ"
    elif how.cartesian:
        values = to_cartesian(azimuth, position[1], position[2])
        body, axes = "<cartesian>1</cartesian>", "XYZ"
    else:
        values, body, axes = (azimuth, position[1], position[2]), "", ("azimuth", "elevation", "distance")
        if how.plain:  # of a path that is Cartesian in the mix
            x, y, z = to_cartesian(*values)
            values = (math.degrees(math.atan2(-x, y)), math.degrees(math.atan2(z, math.hypot(x, y))), min(1.0, math.hypot(x, y, z)))
    if how.step:
        values = [v if axes[k] == "distance" else round(v / how.step) * how.step for k, v in enumerate(values)]
    body += "".join('<position coordinate="%s">%s</position>' % (a, _number(v)) for a, v in zip(axes, values))
    if gain is not None:
        body += "<gain>%s</gain>" % _number(gain)
    if how.jump and at is not None:
        body += '<jumpPosition interpolationLength="%s">1</jumpPosition>' % _number(0 if at == 0 else how.interpolation)
    return attributes, body


def path_blocks(item, seconds):
    """Sampled path. A jumping block holds where the path is at its start, an interpolated one is at its end there."""
    how, steps = item.blocks, []
    starts = [round(k * how.grid, 5) for k in range(int(math.ceil(seconds / how.grid - 1e-6)))]
    if how.last:
        starts = [s for s in starts if s < seconds - how.last - 1e-6] + [round(seconds - how.last, 5)]
    for start, end in zip(starts, starts[1:] + [round(seconds, 5)]):
        at = start if how.jump or start == 0 else end
        steps.append(_block(item.path(at), how, start, round(end - start, 5), 0.0 if item.mute else None))
    return steps


def document(master):
    """axml text and chna rows."""
    out, chna = [], []
    seconds = len(master.audio) / master.rate
    objects = []

    def uid(track, at, ap):
        name = "ATU_%08x" % (len(chna) + 1)
        chna.append((track + 1, name, at, ap))
        out.append('<audioTrackUID UID="%s" sampleRate="%d" bitDepth="24"><audioTrackFormatIDRef>%s</audioTrackFormatIDRef>'
                   "<audioPackFormatIDRef>%s</audioPackFormatIDRef></audioTrackUID>" % (name, master.rate, at, ap))
        return name

    def channel(kind, number, name, blocks, low_pass=None):
        code = "%04x%04x" % (kind, number)
        label = {1: "DirectSpeakers", 3: "Objects"}[kind]
        frequency = "" if low_pass is None else '<frequency typeDefinition="lowPass">%d</frequency>' % low_pass
        body = "".join('<audioBlockFormat audioBlockFormatID="AB_%s_%08x"%s>%s</audioBlockFormat>' % (code, k + 1, a, b) for k, (a, b) in enumerate(blocks))
        out.append('<audioChannelFormat audioChannelFormatID="AC_%s" audioChannelFormatName="%s" typeLabel="%04x" typeDefinition="%s">%s%s</audioChannelFormat>'
                   % (code, name, kind, label, frequency, body))
        out.append('<audioStreamFormat audioStreamFormatID="AS_%s" audioStreamFormatName="PCM_%s" formatLabel="0001" formatDefinition="PCM">'
                   "<audioChannelFormatIDRef>AC_%s</audioChannelFormatIDRef><audioTrackFormatIDRef>AT_%s_01</audioTrackFormatIDRef></audioStreamFormat>"
                   % (code, name, code, code))
        out.append('<audioTrackFormat audioTrackFormatID="AT_%s_01" audioTrackFormatName="PCM_%s" formatLabel="0001" formatDefinition="PCM">'
                   "<audioStreamFormatIDRef>AS_%s</audioStreamFormatIDRef></audioTrackFormat>" % (code, name, code))
        return code

    def pack(kind, number, name, codes):
        ident = "AP_%04x%04x" % (kind, number)
        out.append('<audioPackFormat audioPackFormatID="%s" audioPackFormatName="%s" typeLabel="%04x" typeDefinition="%s">%s</audioPackFormat>'
                   % (ident, name, kind, {1: "DirectSpeakers", 3: "Objects"}[kind],
                      "".join("<audioChannelFormatIDRef>AC_%s</audioChannelFormatIDRef>" % c for c in codes)))
        return ident

    def audio_object(name, ident, uids):
        number = "AO_%04x" % (0x1001 + len(objects))
        objects.append(number)
        out.append('<audioObject audioObjectID="%s" audioObjectName="%s"><audioPackFormatIDRef>%s</audioPackFormatIDRef>%s</audioObject>'
                   % (number, name, ident, "".join("<audioTrackUIDRef>%s</audioTrackUIDRef>" % u for u in uids)))

    if master.bed:
        codes = []
        names = master.channel_names or [NAMES[label] for label, *_ in master.bed]
        for k, (label, azimuth, elevation, low_pass) in enumerate(master.bed):
            body = "<speakerLabel>%s</speakerLabel>" % label + _block((azimuth, elevation, 1), Blocks())[1]
            codes.append(channel(1, 0x1001 + k, names[k], [("", body)], low_pass))
        ident = pack(1, 0x1001, "Bed", codes)
        audio_object("Bed", ident, [uid(k, "AT_%s_01" % c, ident) for k, c in enumerate(codes)])
    for k, item in enumerate(master.items):
        code = channel(3, 0x1001 + k, item.name, path_blocks(item, seconds))
        ident = pack(3, 0x1001 + k, item.name, [code])
        audio_object(item.name, ident, [uid(len(master.bed) + k, "AT_%s_01" % code, ident)])
    top = ('<audioProgramme audioProgrammeID="APR_1001" audioProgrammeName="%s" start="%s" end="%s"><audioContentIDRef>ACO_1001</audioContentIDRef></audioProgramme>'
           '<audioContent audioContentID="ACO_1001" audioContentName="Music">%s</audioContent>'
           % (master.name, _time(0), _time(seconds), "".join("<audioObjectIDRef>%s</audioObjectIDRef>" % o for o in objects)))
    xml = ('<?xml version="1.0" encoding="UTF-8"?>\n<ebuCoreMain xmlns="urn:ebu:metadata-schema:ebuCore_2016"><coreMetadata><format><audioFormatExtended version="ITU-R_BS.2076-2">\n'
           "%s\n</audioFormatExtended></format></coreMetadata></ebuCoreMain>\n" % (top + "\n" + "\n".join(out)))
    return xml, chna


def chna_bytes(rows, tracks=None, uids=None):
    """BS.2088-1: two counts, then rows of 40 bytes."""
    raw = struct.pack("<HH", len({r[0] for r in rows}) if tracks is None else tracks, len(rows) if uids is None else uids)
    return raw + b"".join(struct.pack("<H12s14s11sx", t, u.encode(), a.encode(), p.encode()) for t, u, a, p in rows)


def write(path, master, edit=None, **options):
    """`edit(xml, rows)` gives the chunks to write instead: list of (id, bytes) before and after the data."""
    xml, rows = document(master)
    before, after = [("chna", chna_bytes(rows))], [("axml", xml.encode())]
    if edit is not None:
        before, after = edit(xml, rows)
    wavefile.write(path, master.audio, master.rate, 24, before=before, after=after, bw64=True, **options)
