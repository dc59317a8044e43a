#!/usr/bin/python3
"""Firing frequencies of worked examples against our engine model.

Sources, all from memory: J. B. Heywood, Internal Combustion Engine Fundamentals, ch. 2 (a cylinder
fires once in n_R crank revolutions, n_R = 2 for a four-stroke and 1 for a two-stroke engine, so
f = cylinders * rpm / (60 n_R)); Bies & Hansen, Engineering Noise Control, on reciprocating engine
exhaust (the same formula). The rows are that formula at the speeds workshops and generating sets
know; 1500 and 1800 rpm are the four-pole synchronous speeds of 50 and 60 Hz mains.

    firing_frequency.py ENGINE_PROBE
"""
import subprocess
import sys

from outside import Checks

# cylinders, strokes, rpm, cycle Hz, firing Hz
EXAMPLES = [
    (4, 4, 600, 5.0, 20.0),      # idle of a four: 20 Hz
    (4, 4, 1500, 12.5, 50.0),    # 50 Hz generating set, four
    (6, 4, 1500, 12.5, 75.0),
    (8, 4, 1800, 15.0, 120.0),   # 60 Hz generating set, eight
    (4, 4, 3000, 25.0, 100.0),   # the second order of 50 rev/s
    (6, 4, 6000, 50.0, 300.0),   # the third order of 100 rev/s
    (3, 4, 2000, 50 / 3, 50.0),  # order 1.5
    (5, 4, 2400, 20.0, 100.0),   # order 2.5
    (12, 4, 1000, 25 / 3, 100.0),
    (1, 4, 3600, 30.0, 30.0),    # one cylinder: half the crank's 60 rev/s
    (1, 2, 3000, 50.0, 50.0),    # two-stroke: every revolution
    (2, 2, 6000, 100.0, 200.0),
]


def main():
    probe, checks = sys.argv[1], Checks()
    for cylinders, strokes, rpm, cycle, firing in EXAMPLES:
        out = subprocess.run([probe, str(cylinders), str(strokes), "-", "-", "-", str(rpm), "0"],
                             capture_output=True, text=True, check=True).stdout.split()
        name = f"{cylinders} cylinders, {strokes}-stroke, {rpm} rpm"
        checks.close(f"{name}: cycle frequency", float(out[0]), cycle, 1e-6)
        checks.close(f"{name}: firing frequency", float(out[1]), firing, 1e-6)
    checks.end()


if __name__ == "__main__":
    main()
