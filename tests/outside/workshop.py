#!/usr/bin/python3
"""compare, locate, droptest and clicks against handbook tables, trade rules and scipy.

- Firing order: worked examples with the orders of handbooks (1-3-4-2 and 1-2-4-3 fours, 1-2-4-5-3
  five, 1-5-3-6-2-4 six, 1-8-4-3-6-5-7-2 eight; from memory): who fires one or two places before whom.
- "Unplugging a cylinder which does not burn leaves the speed unchanged": common practice, no source.
- Speed drops are found again with scipy, from the firing line of the recordings' envelope.
- Intervals: Wilson as scipy.stats has it; the interval of a change is Newcombe's method 10
  (Statistics in Medicine 17 (1998) 873; from memory), computed here from the two findings.
- Cue points are written here by hand after the RIFF description (Microsoft and IBM, 1991; from
  memory).

    workshop.py PIPEBEAT
"""
import json
import pathlib
import struct
import subprocess
import sys
import tempfile

import numpy as np
from scipy import signal, stats

from outside import RATE_HZ, Checks, Layout, engine_sound, flow_envelope, peak_between, write

# order, unplugged, places from the dead one to the unplugged one, dead
WORKED = [((1, 3, 4, 2), 1, 1, 2), ((1, 3, 4, 2), 4, 2, 1), ((1, 2, 4, 3), 4, 1, 2),
          ((1, 2, 4, 5, 3), 1, 1, 3), ((1, 5, 3, 6, 2, 4), 6, 2, 5),
          ((1, 8, 4, 3, 6, 5, 7, 2), 5, 2, 3)]


def said(program, *words):
    run = subprocess.run([program, *words, "--json"], capture_output=True, text=True, timeout=900)
    if not run.stdout:
        print(f"FAIL {' '.join(words)}: exit {run.returncode}: {run.stderr.strip()}")
        sys.exit(1)
    return json.loads(run.stdout), run.returncode


def with_cues(path, cues):
    """Adds cue points (seconds, name) to a WAV."""
    data = pathlib.Path(path).read_bytes()
    points, labels = struct.pack("<I", len(cues)), b"adtl"
    for i, (seconds, name) in enumerate(cues, 1):
        frame = int(seconds * RATE_HZ)
        points += struct.pack("<II4sIII", i, frame, b"data", 0, 0, frame)
        text = struct.pack("<I", i) + name.encode() + b"\0"
        labels += b"labl" + struct.pack("<I", len(text)) + text + b"\0" * (len(text) % 2)
    data += b"cue " + struct.pack("<I", len(points)) + points
    data += b"LIST" + struct.pack("<I", len(labels)) + labels
    data = data[:4] + struct.pack("<I", len(data) - 8) + data[8:]
    pathlib.Path(path).write_bytes(data)
    return path


def locate(program, folder, checks):
    for n, (order, off, places, dead) in enumerate(WORKED):
        layout, change = Layout(len(order)), int(9 * 740 / 120)
        quiet = order.index(dead)
        opened = order.index(off)
        sound, _, truth = engine_sound(
            layout, 740, 18, lambda c, p: p != quiet and not (p == opened and c >= change), seed=n)
        mark = truth[change * len(order), 0]
        path = write(folder / "take.wav", sound)
        words = ["--cylinders", str(len(order)), "--order", "-".join(map(str, order))]
        answer, status = said(program, "locate", path, "--off", f"{off}@{mark:.2f}", *words)
        names = [c["cylinder"] for c in answer["candidates"]]
        checks.true(f"order {words[3]}: {off} unplugged, gap {places} places on: {names[:1]}, "
                    f"handbook {dead}", names[:1] == [dead] and status == 1 and answer["phase_kept"])
        if n == 0:
            again, _ = said(program, "locate", with_cues(path, [(mark, f"off {off}")]), *words)
            checks.true("the same by a cue point in the file", again["candidates"][:1] and
                        again["candidates"][0]["cylinder"] == dead)


def drop_test(program, folder, checks):
    order, dead, rpm = (1, 3, 4, 2), 4, {0: 760, 1: 715, 2: 722, 3: 709, 4: 760}
    words, measured = ["--cylinders", "4", "--order", "1-3-4-2"], {}
    for c, speed in rpm.items():
        off = {dead, c}
        sound, true_rpm, _ = engine_sound(Layout(4), speed, 14, lambda _, p: order[p] not in off,
                                          seed=50 + c)
        path = write(folder / f"drop{c}.wav", sound)
        words += ["--off", f"{c}={path}"] if c else ["--baseline", path]
        envelope, rate = flow_envelope(sound, RATE_HZ)
        # The sharpest line near the true one: cycle line 2 or 4 by what is left of the pattern.
        lines = [peak_between(envelope, rate, k * speed / 120 * 0.97, k * speed / 120 * 1.03) / k
                 for k in (3, 4)]
        measured[c] = 120 * float(np.mean(lines))
        checks.close(f"scipy's speed with {c or 'none'} off", measured[c], true_rpm, 0.01 * true_rpm)
    answer, status = said(program, "droptest", *words)
    checks.true(f"common practice: the unchanged one is dead: {answer['dead_cylinders']}",
                answer["dead_cylinders"] == [dead] and status == 1)
    for c in answer["cylinders"]:
        drop = measured[0] - measured[c["cylinder"]]
        checks.close(f"rpm drop of cylinder {c['cylinder']} against scipy", c["rpm_drop"], drop, 8.0)
    weakest = min(answer["cylinders"], key=lambda c: c["contribution"])
    checks.true("it contributes least", weakest["cylinder"] == dead)


def compare(program, folder, checks):
    takes = {"dead": lambda c, p: p != 2, "healthy": lambda c, p: True}
    path = {n: write(folder / f"{n}.wav", engine_sound(Layout(4), 745, 14, f, seed=70 + i)[0])
            for i, (n, f) in enumerate(takes.items())}
    four = ["--cylinders", "4"]
    for before, after, right, code in (("dead", "healthy", "fixed", 0), ("dead", "dead", "unchanged", 1),
                                       ("healthy", "healthy", "unchanged", 0),
                                       ("healthy", "dead", "worse", 1)):
        answer, status = said(program, "compare", path[before], path[after], *four)
        checks.true(f"{before} then {after}: {answer['answer']}", answer["answer"] == right and status == code)
        if answer["answer"] == "fixed":
            n = answer["after"]["events"]["expected"]
            high = stats.binomtest(0, n).proportion_ci(method="wilson").high
            checks.close(f"what could hide in {n} pulses", answer["could_hide"], high, 6e-4)
        if answer["ratio_change"] is not None:
            p, q = answer["before"], answer["after"]
            ends = []
            for f in (p, q):
                judged, chance = f["missing_event_ratio_interval"], f["underlying_rate_interval"]
                if f["verdict"] not in ("intermittent_miss", "random_miss"):
                    judged = [f["missing_event_ratio"]] * 2  # settled by the comparison itself
                ends.append((f["missing_event_ratio"], min(judged[0], chance[0]), max(judged[1], chance[1])))
            (p0, pl, pu), (q0, ql, qu) = ends
            want = (q0 - p0 - np.hypot(q0 - ql, pu - p0), q0 - p0 + np.hypot(qu - q0, p0 - pl))
            for name, got, w in zip(("low", "high"), answer["ratio_change_interval"], want):
                checks.close(f"interval of the change, {name}", got, w, 6e-4)


def clicks(program, folder, checks):
    """Ticks at known times, counted again with scipy's peak finder."""
    rng = np.random.default_rng(9)
    words = []
    for c, missed in ((1, 0.0), (2, 0.25)):
        x = 0.002 * rng.standard_normal(10 * RATE_HZ)
        for t in np.cumsum(rng.normal(0.165, 0.0015, 58)):
            if rng.random() >= missed:
                n = np.arange(int(0.005 * RATE_HZ))
                x[int(t * RATE_HZ) + n] += 0.4 * np.exp(-n / 25) * np.sin(2 * np.pi * 4000 * n / RATE_HZ)
        peaks, _ = signal.find_peaks(np.abs(x), height=0.1, distance=int(0.08 * RATE_HZ))
        words.append((c, len(peaks), write(folder / f"click{c}.wav", x)))
    answer, _ = said(program, "clicks", *[f"{c}={p}" for c, _, p in words], "--rpm", "700")
    for (c, count, _), injector in zip(words, answer["injectors"]):
        checks.close(f"injector {c}: share missed against scipy's {count} peaks in 58 cycles",
                     injector["missed_ratio"], 1 - count / 58, 0.02)


def main():
    program, checks = sys.argv[1], Checks()
    with tempfile.TemporaryDirectory() as folder:
        for part in (locate, drop_test, compare, clicks):
            part(program, pathlib.Path(folder), checks)
    checks.end()


if __name__ == "__main__":
    main()
