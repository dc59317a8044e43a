#!/usr/bin/python3
"""Cycle lines of engine layouts, by scipy from impulse trains, against our engine model.

Source: Fourier series of a periodic impulse train (Oppenheim & Willsky, Signals and Systems,
ch. 4; from memory). With N equal impulses a cycle and one of them reduced by d, the firing line is
N-d and every other line d, so d/(N-d) of it. The layout tables below are that series written out:
one bank of a cross-plane eight (90/180/270/180), an odd-fire 90-degree V6 (90/150), a 45-degree
V-twin and a 270-degree twin.

    half_order_lines.py ENGINE_PROBE
"""
import subprocess
import sys

import numpy as np
from scipy import fft

from outside import Checks

CYCLES, PER_CYCLE = 8, 7200  # impulse trains eight cycles long, a tenth of a degree a sample


def ours(probe, cylinders, strokes=4, order="-", intervals="-", heard="-", last=24):
    """Complex lines 0..last as the engine model gives them."""
    out = subprocess.run([probe, str(cylinders), str(strokes), order, intervals, heard, "600",
                          str(last)], capture_output=True, text=True, check=True).stdout
    rows = [line.split() for line in out.splitlines()[1:]]
    return np.array([complex(float(re), float(im)) for _, re, im in rows])


def by_fft(starts_deg, amplitudes=None, cycle_deg=720.0, last=24):
    """Lines 0..last of an impulse train, relative to the impulse count."""
    train = np.zeros(CYCLES * PER_CYCLE)
    for n, start in enumerate(starts_deg):
        at = round(start / cycle_deg * PER_CYCLE)
        train[at::PER_CYCLE] += 1.0 if amplitudes is None else amplitudes[n]
    return fft.fft(train)[:CYCLES * last + 1:CYCLES] / (CYCLES * len(starts_deg))


def main():
    probe, checks = sys.argv[1], Checks()

    for count in (2, 3, 4, 5, 6, 8, 10, 12):
        starts = [720.0 / count * i for i in range(count)]
        whole = ours(probe, count)
        checks.close(f"{count} even: worst line against scipy",
                     np.abs(whole - by_fft(starts)).max(), 0, 2e-3 * count)
        first_only = ours(probe, count, heard="1")
        for d in (0.3, 1.0, 1.2):
            reduced = whole * count - d * first_only
            reference = by_fft(starts, [1 - d] + [1.0] * (count - 1)) * count
            checks.close(f"{count} even, one reduced by {d}: line 1 over firing line",
                         abs(reduced[1]) / abs(reduced[count]), d / (count - d), 1e-9)
            checks.close(f"{count} even, one reduced by {d}: the same by scipy",
                         abs(reference[1]) / abs(reference[count]), d / (count - d), 5e-3)
        if count > 2:
            rest = ours(probe, count, heard=",".join(map(str, range(2, count + 1))))
            checks.close(f"{count} with cylinder 1 not heard: line 1 over firing line",
                         abs(rest[1]) / abs(rest[count]), 1 / (count - 1), 1e-9)

    def table(name, lines, reference, want):
        checks.close(f"{name}: worst line against scipy", np.abs(lines - reference).max(), 0, 5e-3)
        for order, value in want.items():
            checks.close(f"{name}, order {order:g}", abs(lines[round(2 * order)]), value, 5e-4)
            checks.close(f"{name}, order {order:g}, scipy", abs(reference[round(2 * order)]),
                         value, 2e-3)

    bank = {0.5: 0.271, 1: 0, 1.5: 0.653, 2: 0, 2.5: 0.653, 3: 0, 3.5: 0.271, 4: 1}
    table("one bank of a cross-plane eight", ours(probe, 8, order="1,3,7,2,6,5,4,8", heard="1,2,3,4"),
          by_fft([0, 90, 270, 540]), bank)
    table("cross-plane four", ours(probe, 4, intervals="270,180,90,180"),
          by_fft([0, 270, 450, 540]), bank)
    oddfire = {k / 2: 0.0 for k in range(1, 24) if k % 3} | {
        1.5: 0.383, 3: 0.707, 4.5: 0.924, 6: 0.0, 7.5: 0.924, 9: 0.707, 10.5: 0.383, 12: 1.0}
    table("odd-fire V6", ours(probe, 6, intervals="90,150,90,150,90,150"),
          by_fft([0, 90, 240, 330, 480, 570]), oddfire)
    vtwin = {k / 2: abs(np.cos(np.pi * k * 315 / 720)) for k in range(1, 25)}
    checks.true("45-degree V-twin: order 4 and 12 are its only nulls below 12.5",
                [order for order, v in vtwin.items() if v < 1e-9] == [4, 12])
    table("45-degree V-twin", ours(probe, 2, intervals="315,405"), by_fft([0, 315]), vtwin)
    twin = ours(probe, 2, intervals="270,450")
    table("270-degree twin", twin, by_fft([0, 270]), {2: 0, 6: 0, 4: 1})
    checks.true("270-degree twin: no other null below order 6",
                all(abs(twin[k]) > 0.1 for k in range(1, 12) if k != 4))
    opposite = ours(probe, 4, heard="1,3")
    checks.close("two dead half a cycle apart: what is left is an even twin",
                 np.abs(opposite - ours(probe, 2)).max(), 0, 1e-9)
    checks.end()


if __name__ == "__main__":
    main()
