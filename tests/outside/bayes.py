#!/usr/bin/python3
"""Bayes' rule and expected information of `job next` against numpy and scipy, and its spark gaps
against published tables.

The table of likelihoods is read here by itself (`job table` prints it), hypotheses and posteriors
are built with numpy, entropies with scipy.stats.entropy: nothing is shared with the program but the
table and the answers written down.
    Bayes' rule: any textbook, e.g. D. J. C. MacKay, Information Theory, Inference, and Learning
    Algorithms (2003), chapters 2 and 3; mutual information as H(fault) - sum p(o) H(fault | o).
Spark gaps, all from memory:
    sphere gaps, IEC 60052 / IEEE Std 4, peak kV at 20 degrees C and 101.3 kPa: 5 mm 17.2, 10 mm
    31.7, 15 mm 45.5 (62.5 mm spheres);
    uniform field, 1 mm: 4.5 to 4.6 kV (Kaye & Laby and others);
    Paschen's law with Townsend's coefficients A = 15 /(cm Torr), B = 365 V/(cm Torr), gamma = 0.01
    (Lieberman & Lichtenberg, Principles of Plasma Discharges, table 14.1): rougher, within 20 %.

    bayes.py PIPEBEAT
"""
import json
import pathlib
import re
import subprocess
import sys
import tempfile

import numpy as np
from scipy import stats

from outside import Checks

CYLINDERS = 4
FUEL = "petrol"


def run(program, *words):
    done = subprocess.run([program, *words], capture_output=True, text=True, timeout=900)
    if done.returncode != 0:
        print(f"FAIL {words}: exit {done.returncode}: {done.stderr.strip()}")
        sys.exit(1)
    return done.stdout


class Model:
    """A four in line with plug leads and port injection, as the table's own text describes it."""

    def __init__(self, table):
        self.table = table
        self.faults, prior = [], []
        for cause in table["causes"]:
            weight = cause["prior"].get(FUEL, 0)
            if not weight or "leads" not in cause.get("ignition", ["leads"]):
                continue
            if "port" not in cause.get("injection", ["port"]):
                continue
            places = {"cylinder": [(n,) for n in range(1, CYLINDERS + 1)],
                      "pair": [(n, n + 1) for n in range(1, CYLINDERS)],
                      "engine": [()]}[cause["where"]]
            for place in places:
                self.faults.append((cause["cause"], place))
                prior.append(weight / len(places))
        self.posterior = np.array(prior) / np.sum(prior)
        self.readings = {r["reading"]: r for r in table["readings"]}

    def row(self, reading, cause):
        rows = self.readings[reading]["rows"]
        named = [r["p"] for r in rows if cause in r["causes"]]
        return (named or [r["p"] for r in rows if "otherwise" in r["causes"]])[0]

    def column(self, reading, outcome, cylinder):
        """P(outcome | fault) for every fault."""
        entry = self.readings[reading]
        i = list(entry["outcomes"]).index(outcome)
        out = []
        for cause, place in self.faults:
            p = self.row(reading, cause)
            if entry["where"] == "cylinder" and cylinder not in place:
                p = self.row(reading, "otherwise")
            if entry["where"] == "naming" and outcome == "right":
                inside = p[0] / len(place) if place else (p[0] + p[1]) / CYLINDERS
                outside = p[1] / (CYLINDERS - len(place)) if place else inside
                out.append(inside if cylinder in place else outside)
            else:
                out.append(p[i])
        return np.array(out)

    def see(self, reading, outcome, cylinder=0, voice=1.0):
        weight = self.posterior * self.column(reading, outcome, cylinder) ** voice
        self.posterior = weight / weight.sum()

    def bits(self, reading, cylinder):
        """Mutual information between the fault and the reading's outcome."""
        outcomes = [(o, cylinder) for o in self.readings[reading]["outcomes"]]
        if self.readings[reading]["where"] == "naming":
            outcomes = [("right", n) for n in range(1, CYLINDERS + 1)] + outcomes[2:]
        after = 0.0
        for outcome, where in outcomes:
            joint = self.posterior * self.column(reading, outcome, where)
            after += joint.sum() * stats.entropy(joint, base=2)
        return stats.entropy(self.posterior, base=2) - after


def compare(checks, said, model, name):
    mine = {(c, tuple(p)): v for (c, p), v in zip(model.faults, model.posterior)}
    theirs = {(c["cause"], tuple(c["cylinders"])): c["probability"] for c in said["causes"]}
    checks.true(f"{name}: the same {len(mine)} faults", mine.keys() == theirs.keys())
    checks.close(f"{name}: probabilities add up to", sum(theirs.values()), 1, 1e-4)
    checks.close(f"{name}: largest difference of a probability",
                 max(abs(mine[k] - theirs.get(k, 9)) for k in mine), 0, 2e-6)
    gives = {t["test"]: t["gives"] for t in model.table["tests"]}
    minutes = {t["test"]: t["minutes"] for t in model.table["tests"]}
    tests = [said["next_test"], *said["other_tests"]]
    tests = [t for t in tests if t["test"] in gives]
    for test in tests[:6]:
        checks.close(f"{name}: bits of {test['test']}", test["bits"],
                     model.bits(gives[test["test"]], test["cylinder"] or 0), 1e-4)
    worth = [t["bits"] / minutes[t["test"]] for t in tests]
    checks.true(f"{name}: tests fall in bits a minute",
                all(a >= b - 1e-4 for a, b in zip(worth, worth[1:])))


def spark_gaps(checks, program):
    def kv(*words):
        return float(re.search(r"([\d.]+) kV", run(program, "job", "gap", *words))[1])

    for mm, table in ((5, 17.2), (10, 31.7), (15, 45.5)):
        checks.close(f"sphere gap {mm} mm", kv(f"{mm}mm"), table, 0.04 * table)
    checks.close("uniform field 1 mm", kv("1mm"), 4.55, 0.15)
    checks.close("uniform field 0.8 mm", kv("0.8mm"), 3.95, 0.25)
    for mm in (0.8, 2, 5, 10):
        torr_cm = 760 * mm / 10
        townsend = 365 * torr_cm / (np.log(15 * torr_cm) - np.log(np.log(1 + 1 / 0.01))) / 1000
        checks.close(f"Townsend's coefficients {mm} mm", kv(f"{mm}mm"), townsend, 0.2 * townsend)
    checks.close("half the pressure, twice the gap", kv("10mm", "--pressure", "50"),
                 kv("5mm", "--pressure", "100"), 0.11)


def main():
    program, checks = sys.argv[1], Checks()
    table = json.loads(run(program, "job", "table"))
    for reading in table["readings"]:
        for row in reading["rows"]:
            checks.made += 1
            if abs(sum(row["p"]) - 1) > 1e-9 or not row["source"]:
                checks.true(f"{reading['reading']}: {row['causes']} add up to 1, with a source", False)
    with tempfile.TemporaryDirectory() as folder:
        job = str(pathlib.Path(folder) / "van")
        run(program, "job", "new", job, "--vehicle", "van", "--engine", "inline4", "--ignition",
            "leads")
        model = Model(table)

        def ask(name):
            compare(checks, json.loads(run(program, "job", "next", job, "--json")), model, name)

        ask("nothing read")
        steps = [(["--code", "P0303"], [("misfire_code", "right", 3, 1)]),
                 (["--always-so", "no"], [("always_so", "no", 0, 1)]),
                 (["--cylinder", "3", "--click", "yes"], [("click", "yes", 3, 1)]),
                 (["--cylinder", "3", "--plug", "wet"], [("plug", "wet", 3, 1)]),
                 (["--cylinder", "3", "--spark-kv", "9kV", "--spark-colour", "yellow"],
                  [("spark_kv", "weak", 3, 0.5), ("spark_colour", "yellow", 3, 0.5)]),
                 (["--cylinder", "1", "--click", "weak"], [("click", "weak", 1, 1)]),
                 (["--swapped", "lead:3>4", "--followed", "no"], [("swap_lead", "stayed", 3, 1)]),
                 (["--cylinder", "3", "--compression", "90psi"], [("compression", "dead", 3, 1)])]
        for words, seen in steps:
            run(program, "job", "read", job, *words)
            for reading, outcome, cylinder, voice in seen:
                model.see(reading, outcome, cylinder, voice)
            ask("after " + " ".join(words))
    spark_gaps(checks, program)
    checks.end()


if __name__ == "__main__":
    main()
