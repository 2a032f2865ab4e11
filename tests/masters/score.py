#!/usr/bin/env python3
"""Weighs a set that make_masters.py made, and says what was told, what was stopped wrongly, what was advised wrongly.

  score.py OUT --binary PATH [--json report.json] [--only GLOB] [--processes 2]

Exit status 1 when an honest master is stopped or less than 95 % of the faults are told.
"""
import argparse
import json
import os
import subprocess
import sys
import time
from collections import Counter, defaultdict
from concurrent.futures import ThreadPoolExecutor
from fnmatch import fnmatch

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))
import expected  # noqa: E402

NEAR_S = 0.05  # a place is right within 50 ms (the labelled examples of faults use the same)
WIDE_S = 1.0   # and not more than this longer than the fault: a place that one can go to
TOLD_AT_LEAST = 0.95
RANK = {"advise": 1, "unmeasured": 1, "stop": 2, "unread": 2}


def weigh(binary, folder, entry):
    command = [binary, "weigh", os.path.join(folder, entry["file"]), "--profile", entry["profile"], "--json", *entry["arguments"]]
    if entry["mix"]:
        command += ["--against", os.path.join(folder, entry["mix"])]
    environment = {k: v for k, v in os.environ.items() if k != "WEIGHBRIDGE_CONFIG"}
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=300, env=environment)
        return json.loads(done.stdout.strip().splitlines()[-1])
    except (subprocess.TimeoutExpired, ValueError, IndexError) as error:
        return {"verdict": "no report", "reason": repr(error), "checks": []}


def raised(report):
    return [c for c in report["checks"] if c["outcome"] in RANK]


def asks(entry, check):
    """Whether this check may tell this fault. What is listed by its full name is never left out."""
    return check in entry["checks"] or (check not in expected.NEVER and any(fnmatch(check, g) for g in entry["checks"]))


def at_place(entry, finding):
    if not entry["place"]:
        return True
    start, end = entry["place"]
    return any(w["start_s"] <= end + NEAR_S and w["end_s"] >= start - NEAR_S and (w["end_s"] - w["start_s"]) <= (end - start) + WIDE_S for w in finding.get("where", []))


def names_part(entry, finding):
    if not entry["part"]:
        return True
    said = " ".join([finding["subject"], finding["says"]] + [w.get("channel") or "" for w in finding.get("where", [])]).lower()
    return any(part.lower() in said for part in entry["part"])


def judge_fault(entry, report, control):
    """'' where it was told, else what lacks."""
    if report["verdict"] == "unread" and entry["outcome"] == "stop":
        return ""
    standing = {(c["check"], c["subject"], c["outcome"], c["says"]) for c in raised(control)} if control else set()
    found = [c for c in raised(report) if c["outcome"] != "unmeasured" and asks(entry, c["check"]) and (c["check"], c["subject"], c["outcome"], c["says"]) not in standing]
    if not found:
        return "nothing said"
    found = [c for c in found if RANK[c["outcome"]] >= RANK[entry["outcome"]]]
    if not found:
        return "only advised"
    placed = [c for c in found if at_place(entry, c)]
    if not placed:
        return "another place"
    return "" if any(names_part(entry, c) for c in placed) else "another part"


def lines_of(finding):
    return "%s %s: %s" % (finding["outcome"], finding["check"], finding["says"])


def tell(rows):
    honest, faults = ([r for r in rows if r["kind"] == k] for k in ("honest", "fault"))
    print("\nHonest masters\n  %-22s %5s %8s %8s" % ("carrier", "n", "stopped", "advised"))
    for carrier in sorted({r["carrier"] for r in honest}):
        of = [r for r in honest if r["carrier"] == carrier]
        print("  %-22s %5d %8d %8d" % (carrier, len(of), sum(r["stopped"] for r in of), sum(r["advised"] for r in of)))
    print("\nWhat stopped or advised honest masters (files, check, an example)")
    by = defaultdict(list)
    for r in honest:
        for key in {(c["outcome"], c["check"]) for c in r["raised"]}:
            by[key].append((r["id"], next(c for c in r["raised"] if (c["outcome"], c["check"]) == key)["says"]))
    for (outcome, check), files in sorted(by.items(), key=lambda kv: (-RANK[kv[0][0]], -len(kv[1]))):
        print("  %-10s %-30s %4d  %s: %s" % (outcome, check, len(files), *files[0]))
    print("\nStopped wrongly")
    for r in honest:
        if r["stopped"]:
            print("  %s (%s): %s" % (r["id"], r["did"], "; ".join(lines_of(c) for c in r["raised"] if c["outcome"] != "advise") or r["verdict"]))
    print("\nFaults\n  %-22s %5s %6s  %s" % ("class", "n", "told", "what lacks"))
    for fault in sorted({r["fault"] for r in faults}):
        of = [r for r in faults if r["fault"] == fault]
        lacks = Counter(r["lacks"] for r in of if r["lacks"])
        print("  %-22s %5d %6d  %s" % (fault, len(of), sum(not r["lacks"] for r in of), ", ".join("%s %d" % kv for kv in lacks.most_common())))
    print("\nNot told")
    for r in faults:
        if r["lacks"]:
            said = "; ".join(lines_of(c) for c in r["raised"][:4])
            print("  %s (%s%s): %s%s" % (r["id"], r["did"], ", at %.3f s" % r["place"][0] if r["place"] else "", r["lacks"], ". Said: " + said if said else ""))
    return honest, faults


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("out")
    parser.add_argument("--binary", required=True)
    parser.add_argument("--json")
    parser.add_argument("--only", default="*", help="ids to weigh, e.g. 'band/*'; controls are weighed too")
    parser.add_argument("--processes", type=int, default=2)
    a = parser.parse_args()
    started = time.time()
    files = json.load(open(os.path.join(a.out, "labels.json")))["files"]
    asked = [f for f in files if fnmatch(f["id"], a.only)]
    controls = {f.get("control") for f in asked} - {f["id"] for f in asked}
    weighed = asked + [f for f in files if f["id"] in controls]
    with ThreadPoolExecutor(a.processes) as pool:
        reports = dict(zip((f["id"] for f in weighed), pool.map(lambda f: weigh(a.binary, a.out, f), weighed)))
    rows = []
    for entry in asked:
        report = reports[entry["id"]]
        row = dict(entry, verdict=report["verdict"], reason=report.get("reason"), raised=raised(report))
        if entry["kind"] == "honest":
            row["stopped"] = report["verdict"] not in ("clear", "advise")
            row["advised"] = report["verdict"] == "advise"
        else:
            # The classes' checks as they are now: labels may be older than a check's name.
            entry["checks"], entry["outcome"], _ = expected.EXPECTED[entry["fault"]]
            row["lacks"] = judge_fault(entry, report, reports.get(entry["control"]))
        rows.append(row)
    honest, faults = tell(rows)
    stops = sum(r["stopped"] for r in honest)
    told = sum(not r["lacks"] for r in faults)
    print("\nhonest: %d, stopped %d, advised %d; faults: %d, told %d (%.1f %%); %.0f s" %
          (len(honest), stops, sum(r["advised"] for r in honest), len(faults), told, 100.0 * told / max(1, len(faults)), time.time() - started))
    if a.json:
        with open(a.json, "w") as f:
            json.dump(rows, f, indent=1)
    print("%d passed, %d failed" % (len(honest) - stops + told, stops + len(faults) - told))
    sys.exit(1 if stops or told < TOLD_AT_LEAST * len(faults) else 0)


if __name__ == "__main__":
    main()
