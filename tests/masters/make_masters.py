#!/usr/bin/env python3
"""Makes mixes, honest masters and faulty masters, and `labels.json` beside them (README.md has its keys).

  make_masters.py OUT [--seed N] [--only CARRIER ...] [--processes 2]

The same seed and the same versions of the libraries give the same files. Prints what is left out and why.
"""
import argparse
import json
import os
import sys
import time
from multiprocessing import Pool

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(variable, "1")  # two processes share two cores

import carriers  # noqa: E402
import damage  # noqa: E402
import effects  # noqa: E402
import expected  # noqa: E402
import faults_objects  # noqa: E402
import faults_stereo  # noqa: E402
import honest_objects  # noqa: E402
import honest_stereo  # noqa: E402
import wavefile  # noqa: E402

NEIGHBOUR = {"band": "electronic", "ballad": "sparse", "electronic": "band", "chorale-a": "chorale-b", "quartet": "consort",
             "objects-band": "objects-electronic", "objects-electronic": "objects-ballad", "objects-ballad": "objects-band",
             "objects-chorale": "objects-quartet", "objects-quartet": "objects-chorale"}


def _entries(case, carrier, file, mix_path):
    mix = {"own": mix_path, None: None}.get(case.mix, case.mix)
    entry = {
        "id": "%s/%s" % (carrier, case.name), "file": os.path.basename(file), "mix": None if mix is None else os.path.basename(mix),
        "carrier": carrier, "profile": case.profile, "arguments": case.arguments, "kind": case.kind, "did": case.did, "params": case.params,
    }
    if case.kind == "fault":
        checks, outcome, source = expected.EXPECTED[case.fault]
        entry.update(fault=case.fault, place=case.place, part=case.part, checks=checks, outcome=outcome, source=source,
                     control=None if case.control is None else "%s/%s%s" % (carrier, case.control, "+alone" if mix is None and case.control in ("chain-a", "base", "copy") else ""))
    yield entry
    if case.alone and mix is not None:
        yield dict(entry, id=entry["id"] + "+alone", mix=None)


def _make(job):
    name, out, seed = job
    started = time.time()
    if name in carriers.OBJECTS:
        o = carriers.Objects(name, seed, out)
        mix_path = o.path

        def generators():
            yield honest_objects.cases(o)
            if o.maker == "hard":
                return
            yield faults_objects.cases(o, lambda: carriers.Objects(NEIGHBOUR[name], seed, out, measured=False).master)
    else:
        c = carriers.Stereo(name, seed)
        mix_path = os.path.join(out, name + ".mix.wav")
        wavefile.write(mix_path, c.mix, c.rate)

        def generators():
            if name in carriers.HARD:
                yield honest_stereo.hard_cases(c, mix_path)
                return
            yield honest_stereo.cases(c, mix_path, short=c.rate != 48000)
            if name in faults_stereo.GROUPS["surround"]:
                yield honest_stereo.surround_cases(c)
            yield faults_stereo.cases(c, mix_path, lambda: carriers.Stereo(NEIGHBOUR[name], seed))
    entries = []
    for cases in generators():
        for case in cases:
            file = os.path.join(out, "%s.%s.wav" % (name, case.name.lower().replace(" ", "-")))
            case.write(file)
            entries.extend(_entries(case, name, file, mix_path))
    return name, entries, time.time() - started


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", action="append", metavar="CARRIER", help="make one carrier anew and keep the labels of the others; may be given several times")
    parser.add_argument("--processes", type=int, default=2)
    a = parser.parse_args()
    os.makedirs(a.out, exist_ok=True)
    skipped = [["faults of class lossy made with AAC", "no encoder in the packages that are used"]]
    if effects.available():
        skipped.append(["chains effects-a and effects-b", effects.available()])
    if damage.missing_codecs():
        skipped.append(["faults of class lossy", damage.missing_codecs()])
    if not carriers.renderer_folder():
        skipped.append(["object-based masters that lie on a limit", "the reference renderer (package ear, named by MASTERS_EAR) is not installed"])
    jobs = []
    for name, makers in [(k, [v[1][0]]) for k, v in carriers.OBJECTS.items()] + [(k, [v[0]]) for k, v in {**carriers.STEREO, **carriers.HARD}.items()]:
        reason = next(filter(None, map(carriers.missing, makers)), None)
        if a.only and name not in a.only:
            continue
        if reason:
            skipped.append(["carrier " + name, reason])
        else:
            jobs.append((name, a.out, a.seed))
    labels, entries = os.path.join(a.out, "labels.json"), []
    if a.only and os.path.exists(labels):
        with open(labels) as f:
            entries = [e for e in json.load(f)["files"] if e["carrier"] not in a.only]
    with Pool(a.processes) as pool:
        for name, made, seconds in pool.imap_unordered(_make, jobs):
            print("%-20s %3d masters in %.0f s" % (name, len(made), seconds), flush=True)
            entries.extend(made)
    entries.sort(key=lambda e: e["id"])
    for what, why in skipped:
        print("left out: %s: %s" % (what, why))
    with open(labels, "w") as f:
        json.dump({"schema": "masters/1", "seed": a.seed, "skipped": skipped, "files": entries}, f, indent=1)
    print("%d honest, %d faulty" % tuple(sum(e["kind"] == k for e in entries) for k in ("honest", "fault")))


if __name__ == "__main__":
    main()
