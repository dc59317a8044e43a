#!/usr/bin/python3
"""Binomial intervals of `check` against scipy's Wilson interval.

Source: E. B. Wilson, JASA 22 (1927) 209, as scipy.stats.binomtest(k, n).proportion_ci(
method="wilson") computes it. underlying_rate_interval belongs to events.missing of
events.expected; a position's missing_ratio_interval to its own events, whose count the JSON leaves
out: some whole n near an equal share of the events must give ratio and interval together. Zero
misses in n still allow about 3/n (Hanley & Lippman-Hand, JAMA 249 (1983) 1743; from memory).

    wilson.py PIPEBEAT
"""
import pathlib
import sys
import tempfile

import numpy as np
from scipy import stats

from outside import Checks, Layout, ask, engine_sound, write

ROUNDING = 6e-4  # the JSON may be rounded to three digits


def wilson(k, n):
    interval = stats.binomtest(int(k), int(n)).proportion_ci(method="wilson")
    return np.array([interval.low, interval.high])


def main():
    program, checks = sys.argv[1], Checks()
    rng = np.random.default_rng(5)
    scenes = [("healthy", Layout(4), lambda c, p: True),
              ("one dead", Layout(4), lambda c, p: p != 1),
              ("one misses a third", Layout(6), lambda c, p: p != 2 or rng.random() > 1 / 3)]
    with tempfile.TemporaryDirectory() as folder:
        for n, (name, layout, fires) in enumerate(scenes):
            sound, _, _ = engine_sound(layout, 740, 20, fires, seed=40 + n)
            said = ask(program, write(pathlib.Path(folder) / "scene.wav", sound), layout.options())
            expected, missing = said["events"]["expected"], said["events"]["missing"]
            if not expected:
                checks.true(f"{name}: events were counted (verdict {said['verdict']})", False)
                continue
            gap = np.abs(wilson(missing, expected) - said["underlying_rate_interval"]).max()
            checks.close(f"{name}: underlying_rate_interval, {missing} of {expected}", gap, 0,
                         ROUNDING)
            if missing == 0:
                checks.close(f"{name}: upper end over the rule of three",
                             said["underlying_rate_interval"][1] / (3 / expected), 1.28, 0.03)
            share = round(expected / layout.cylinders)
            checks.true(f"{name}: one entry a position", len(said["positions"]) == layout.cylinders)
            for position in said["positions"]:
                ratio = position["missing_ratio"]
                gaps = [max(abs(round(ratio * count) / count - ratio),
                            *np.abs(wilson(round(ratio * count), count)
                                    - position["missing_ratio_interval"]))
                        for count in range(max(1, share - 4), share + 5)]
                checks.close(f"{name}: position {position['position']}, ratio {ratio:.3f}, "
                             f"interval {position['missing_ratio_interval']}", min(gaps), 0,
                             ROUNDING)
    checks.end()


if __name__ == "__main__":
    main()
