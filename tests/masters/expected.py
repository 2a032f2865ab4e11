"""What a fault of each class must be told by: the one place to change when a check is renamed.

Globs of check ids (any of them counts), the least outcome, and the rule's source. A fault counts as told when a finding
of these checks is advised or stopped, with the place and the part where the label has them, and when the same finding
does not stand on the same file without the fault.
"""
AGAINST = ["movement.*", "versions.*", "*.remains", "against.*"]
NEVER = ["movement.not_compared", "movement.metadata"]
OWN = "common practice, no source"

EXPECTED = {
    # Stereo and object-based, against a mix
    "wrong_version": (AGAINST, "advise", OWN),
    "older_revision": (AGAINST, "advise", OWN),
    "another_song": (AGAINST, "advise", OWN),
    "lost_part": (AGAINST, "advise", OWN),
    "vocal_level": (AGAINST, "advise", OWN),
    "edit": (["versions.version_edit", "movement.slipped", "movement.length", "movement.gone", "*.remains", "defect.splice"], "advise", OWN),
    "hole": (["*.remains", "defect.dropout", "movement.gone", "movement.level_change", "versions.*"], "advise", OWN),
    "click": (["*.remains", "defect.click", "versions.*"], "advise", OWN),
    "late": (["movement.offset", "movement.track_offset", "versions.*delay*"], "advise", "common practice, no source: a print with the latency of a plug-in"),
    "late_part": (["movement.track_offset", "movement.slipped", "versions.channel_delay"], "advise", OWN),
    "polarity": (["channels.polarity", "movement.polarity", "versions.polarity", "translation.mono_*"], "advise", OWN),
    "lr_swapped": (["versions.lr_swapped", "versions.channel_order", "movement.*"], "advise", OWN),
    # Stereo, alone
    "true_peak": (["peaks.true_peak"], "advise", "ITU-R BS.1770-5 Annex 2 for the reading; AES TD1008 (2021) Table 1 for -1 dBTP, as quoted"),
    "clipped": (["peaks.clipped", "peaks.full_scale_runs"], "advise", OWN),
    "dropout": (["defect.dropout", "defect.zero_hole", "*.remains"], "advise", OWN),
    "repeat": (["defect.repeat"], "advise", OWN),
    "hum": (["defect.hum", "*.remains"], "advise", OWN),
    "cut_end": (["edges.cut_tail", "edges.chopped_tail"], "advise", OWN),
    "padded": (["provenance.bit_depth"], "advise", "a large record company's public list of common faults names padded files"),
    "lossy": (["provenance.lossy_origin"], "advise", "the same list names lossy sources"),
    "upsampled": (["provenance.upsampled"], "advise", "the same list names upsampled files"),
    "dc_offset": (["levels.dc_offset", "defect.dc_offset"], "advise", "common practice, no source: over 0.1 % of full scale"),
    "dual_mono": (["channels.dual_mono"], "advise", OWN),
    "loudness_written": (["metadata.*", "*bext*", "*disagree*", "*written*"], "advise", "EBU Tech 3285 v2: the loudness fields describe the file's audio, clause from memory"),
    "date_written": (["metadata.*", "*bext*", "*disagree*", "*written*", "*date*"], "advise", "EBU Tech 3285: OriginationDate is yyyy-mm-dd, from memory"),
    "zero_tail": (["defect.zero_tail", "damage.*"], "advise", "common practice, no source: a copy that stopped is filled with zeros from a block's border"),
    "zero_hole": (["defect.zero_hole", "defect.dropout", "damage.*"], "advise", OWN),
    "truncated": (["damage.*", "immersive.file-truncated", "integrity.*"], "stop", "EBU Tech 3285: the data chunk's size is its length"),
    # Object-based
    "bed_sides": (["versions.*", "movement.*", "*.remains", "immersive.*"], "advise", "ITU-R BS.2051-3: M+030 is at 30 degrees, to the left"),
    "movement_lost": (["movement.lost", "movement.position", "immersive.objects-static"], "advise", OWN),
    "movement_changed": (["movement.position", "movement.lost"], "advise", OWN),
    "part_gain": (["movement.balance", "movement.level_change", "movement.*gain*", "versions.*", "*.remains"], "advise", OWN),
    "muted": (["immersive.object-muted", "immersive.object-silent", "movement.gone", "movement.level_change", "movement.metadata", "channels.channel_silent", "*.remains"], "advise", "a large record company's specification flags silent objects"),
    "same_twice": (["immersive.*", "movement.extra", "versions.duplicate", "channels.dual_mono"], "advise", OWN),
    "stereo_in_disguise": (["immersive.*", "channels.channel_silent"], "advise", "platforms' published style guides refuse stereo in an immersive file"),
    "too_quiet": (["loudness.*", "immersive.*"], "advise", "a large record company's advisory bound of -31 LKFS"),
    "head_silence": (["edges.leading_silence", "movement.offset"], "advise", "the format owner's guidance: no extra silence at the head"),
    # Stop: what is measured may not be what plays.
    "two_descriptions": (["immersive.*", "damage.chunk-duplicate", "damage.two-readings"], "stop", "ITU-R BS.2088-1: one chna and one axml chunk, clause from memory"),
    "counts": (["immersive.chna-*", "immersive.*"], "stop", "ITU-R BS.2088-1: numTracks and numUIDs count the rows, clause from memory"),
}
