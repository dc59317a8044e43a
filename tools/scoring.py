"""The scoreboard's figures: recordings and labels in, measures with their uncertainty out."""
import collections
import concurrent.futures
import csv
import dataclasses
import functools
import json
import math
import pathlib
import subprocess
import sys
import tempfile
import time

import numpy as np
from scipy import stats

VERDICTS = {"even": {"even"}, "dead": {"dead_miss"}, "intermittent": {"intermittent_miss"},
            "scattered": {"random_miss"}, "weak": {"weak_cylinder"},
            "lumpy": {"rough_no_miss", "even"}, "not-an-engine": {"unclear"}}
SAID = ["even", "rough_no_miss", "weak_cylinder", "dead_miss", "intermittent_miss", "random_miss",
        "unclear", "trouble"]
MISSES = {"dead_miss", "intermittent_miss", "random_miss"}
PAIR_ANSWERS = {"fixed": "fixed", "fixed_other_position": "fixed", "not_fixed": "unchanged",
                "not_fixed_other_gain": "unchanged", "both_healthy": "unchanged",
                "got_worse": "worse", "partly_fixed": "improved"}
STEADY = {"idle"}
RESAMPLES = 1000
CHECK_TIMEOUT_S = 300


@dataclasses.dataclass
class Row:
    """One recording: its label, what was said, and the judged events where asked for."""
    label: dict
    path: pathlib.Path
    finding: dict
    seconds: float
    events: list | None = None  # [(time s, missing probability)]

    @property
    def kind(self):
        return self.label.get("class")

    @property
    def said(self):
        return self.finding["verdict"]

    @property
    def right(self):
        return self.said in VERDICTS.get(self.kind, set())

    @property
    def answered(self):
        return self.said not in ("unclear", "trouble")

    @property
    def score(self):
        return self.finding.get("miss_probability")

    @property
    def engine(self):
        """What the bootstrap draws: files of one engine stand or fall together."""
        for key in ("engine_id", "group_id", "pair"):
            if self.label.get(key) is not None:
                return f"{self.path.parent}/{key}{self.label[key]}"
        stem = self.path.stem
        return f"{self.path.parent}/A" if stem.startswith("A-") else str(self.path)

    @functools.cached_property
    def matches(self):
        """(matched, predicted, true) missing events; see event_matches."""
        return event_matches(self)

    @property
    def rpm_error(self):
        """Relative error of the mean speed; infinite where none was given, None without truth."""
        truth = self.label.get("rpm_mean_running")
        if not truth:
            return None
        said = (self.finding.get("rpm") or {}).get("mean")
        return abs(said / truth - 1) if said else math.inf


@dataclasses.dataclass
class Measure:
    """A figure with its sample count and 95 % interval; note says what would not fit."""
    name: str
    value: float | None
    low: float | None = None
    high: float | None = None
    n: int = 0
    note: str = ""

    def text(self):
        if self.value is None:
            return f"-  (n {self.n})"
        span = "" if self.low is None else f" [{self.low:.3f} {self.high:.3f}]"
        return f"{self.value:.3f}{span} (n {self.n})"


# ---- running -----------------------------------------------------------------------------------

def load_labels(folders):
    """[(label, path)] of every labelled recording; a missing or empty label file ends the run."""
    found = []
    for folder in map(pathlib.Path, folders):
        table = folder / "labels.jsonl"
        if not table.is_file():
            sys.exit(f"scoreboard: {table}: not there; name a folder that holds labels.jsonl")
        for line in table.read_text().splitlines():
            if line.strip():
                label = json.loads(line)
                found.append((label, folder / label["file"]))
    missing = [str(p) for _, p in found if not p.is_file()]
    if missing or not found:
        sys.exit(f"scoreboard: {len(missing)} labelled recordings are not there "
                 f"(first: {missing[:1]}); make them again or fix labels.jsonl")
    return found


def engine_options(label, with_rpm):
    """Command-line options that say what a user would know of this engine."""
    args = label.get("args", {})
    options = ["--cylinders", str(label.get("cylinders") or args.get("cylinders"))]
    options += ["--strokes", str(label.get("strokes") or args.get("strokes") or 4)]
    if label.get("firing_order"):
        options += ["--order", "-".join(map(str, label["firing_order"]))]
    if label.get("intervals_deg"):
        options += ["--intervals", ",".join(f"{i:.6g}" for i in label["intervals_deg"])]
    if label.get("heard_cylinders"):
        options += ["--heard", ",".join(map(str, sorted(label["heard_cylinders"])))]
    guess = label.get("rpm_guess", args.get("rpm_guess"))
    if with_rpm and guess:
        options += ["--rpm", f"{guess:.6g}"]
    return options


def run_json(command):
    """(finding of the last printed line, seconds); the verdict is "trouble" when there is none."""
    begin = time.monotonic()
    try:
        run = subprocess.run(command, capture_output=True, text=True, timeout=CHECK_TIMEOUT_S)
        trouble = f"exit {run.returncode}: {run.stderr.strip()[-200:]}"
        finding = json.loads(run.stdout.strip().splitlines()[-1]) if run.stdout.strip() else {}
    except subprocess.TimeoutExpired:
        finding, trouble = {}, f"no answer in {CHECK_TIMEOUT_S} s"
    except json.JSONDecodeError:
        finding, trouble = {}, f"printed no JSON ({trouble})"
    if not isinstance(finding, dict) or not finding:
        finding = {"trouble": trouble}
    finding.setdefault("verdict", "trouble")
    return finding, time.monotonic() - begin


def has_option(binary, option):
    """Does `check --help` offer this option?"""
    run = subprocess.run([binary, "check", "--help"], capture_output=True, text=True, timeout=60)
    return option in run.stdout + run.stderr


def check(binary, label, path, with_rpm, events):
    """The Row of one recording."""
    command = [binary, "check", str(path), "--json", *engine_options(label, with_rpm)]
    with tempfile.TemporaryDirectory() as folder:
        table = pathlib.Path(folder) / "events.csv"
        if events:
            command += ["--events", str(table)]
        finding, seconds = run_json(command)
        judged = None
        if table.is_file():
            with table.open() as lines:
                judged = [(float(e["time_s"]), float(e["missing_probability"] or 0.0))
                          for e in csv.DictReader(lines)]
    return Row(label, path, finding, seconds, judged)


def check_all(binary, labelled, options):
    """Rows of all recordings, in label order, `jobs` at a time."""
    wanted = {"intermittent", "scattered"}
    events = has_option(binary, "--events")
    if not events:
        print(f"!!! {binary} has no --events: single-event F1 is SKIPPED", file=sys.stderr)
    with concurrent.futures.ThreadPoolExecutor(options.jobs) as pool:
        return list(pool.map(lambda item: check(binary, *item, options.with_rpm,
                                                events and item[0].get("class") in wanted),
                             labelled))


# ---- figures -----------------------------------------------------------------------------------

def share(name, hits, note=""):
    """Share of true values with its Wilson 95 % interval."""
    hits = list(hits)
    if not hits:
        return Measure(name, None, note="no such recording")
    interval = stats.binomtest(sum(hits), len(hits)).proportion_ci(method="wilson")
    return Measure(name, sum(hits) / len(hits), interval.low, interval.high, len(hits), note)


def by_engine(rows, figure):
    """Bootstrap 95 % interval of figure(rows), engines drawn with replacement."""
    groups = collections.defaultdict(list)
    for row in rows:
        groups[row.engine].append(row)
    groups = list(groups.values())
    if len(groups) < 3:
        return None, None
    rng = np.random.default_rng(1)
    values = []
    for _ in range(RESAMPLES):
        drawn = [row for g in rng.integers(0, len(groups), len(groups)) for row in groups[g]]
        value = figure(drawn)
        if value is not None:
            values.append(value)
    return tuple(np.percentile(values, [2.5, 97.5])) if values else (None, None)


def estimate(name, rows, figure, note=""):
    """figure(rows) as a Measure with its by-engine interval."""
    value = figure(rows) if rows else None
    low, high = by_engine(rows, figure) if value is not None else (None, None)
    return Measure(name, value, low, high, len(rows), note)


def area(positive, rows):
    """Area under the ROC of miss_probability; positive(row) says what should rank high."""
    scores = np.array([0.5 if r.score is None else r.score for r in rows])
    truth = np.array([positive(r) for r in rows], bool)
    p, n = truth.sum(), (~truth).sum()
    if p == 0 or n == 0:
        return None
    return float((stats.rankdata(scores)[truth].sum() - p * (p + 1) / 2) / (p * n))


def alarms_at(name, rows, healthy, detection):
    """Share of healthy(row) alarmed at the strictest threshold that finds `detection` of dead."""
    dead = sorted((-1.0 if r.score is None else r.score for r in rows if r.kind == "dead"),
                  reverse=True)
    if not dead:
        return Measure(name, None, note="no dead recording")
    threshold = dead[math.ceil(detection * len(dead)) - 1]
    if threshold < 0:
        return Measure(name, None, n=len(dead),
                       note=f"only {sum(d >= 0 for d in dead)} dead have a miss_probability")
    return share(name, [r.score is not None and r.score >= threshold for r in rows if healthy(r)],
                 f"threshold {threshold:.3f}")


def counts_as_any_miss(row):
    """A miss big enough to be asked for: dead, 10 % of one position, 5 % of scattered events."""
    if row.kind == "intermittent":
        return max(row.label.get("position_missing_ratio") or [0]) >= 0.10
    return row.kind == "dead" or (row.kind == "scattered" and row.label["missing_ratio"] >= 0.05)


def calibration(rows, bins=10):
    """[(mean confidence, share right, n)] in equal-count bins of answered rows."""
    pairs = sorted((r.finding["confidence"], r.right) for r in rows)
    return [(float(np.mean([c for c, _ in part])), float(np.mean([k for _, k in part])), len(part))
            for part in (pairs[i * len(pairs) // bins:(i + 1) * len(pairs) // bins]
                         for i in range(bins)) if part]


def calibration_error(rows):
    """Expected calibration error: bin gaps weighted by bin size."""
    return sum(abs(c - k) * n for c, k, n in calibration(rows)) / len(rows) if rows else None


def event_matches(row):
    """(matched, predicted, true) missing events within half a slot, at the best constant lag.

    Labels give the valve's opening; the sound comes 15 to 40 ms later and a pulse has a width, so
    one lag of 0 to 60 ms is fitted per file. Matching is one to one, in time order.
    """
    truth = sorted(e[0] for e in row.label["events"] if e[4] and e[5] and not e[2])
    said = sorted(t for t, p in row.events if p >= 0.5)
    half_slot = 0.5 / row.label["firing_hz"]

    def matched(lag):
        i = j = count = 0
        while i < len(truth) and j < len(said):
            gap = said[j] - lag - truth[i]
            if abs(gap) <= half_slot:
                i, j, count = i + 1, j + 1, count + 1
            elif gap > 0:
                i += 1
            else:
                j += 1
        return count
    return max(matched(lag) for lag in np.arange(0, 0.0601, 0.001)), len(said), len(truth)


def event_f1(rows):
    """F1 of all missing events of these rows together."""
    found, said, true = np.sum([r.matches for r in rows], axis=0)
    return 2 * found / (said + true) if said + true else None


def pair_answer(before, after):
    """What two separate findings say of a repair, in the words of `compare`."""
    if not (before.answered and after.answered):
        return "cannot_compare"
    missed = before.said in MISSES, after.said in MISSES
    if missed == (True, True):
        change = after.finding["missing_event_ratio"] - before.finding["missing_event_ratio"]
        truth = max(before.finding["missing_event_ratio"], after.finding["missing_event_ratio"])
        return "unchanged" if abs(change) < truth / 3 else "worse" if change > 0 else "improved"
    return {(True, False): "fixed", (False, True): "worse", (False, False): "unchanged"}[missed]


def pair_measures(rows, binary, with_rpm):
    """Before/after pairs: from two checks, and from `compare` where the binary has it."""
    pairs = collections.defaultdict(dict)
    for row in rows:
        if row.label.get("pair") is not None:
            pairs[(row.path.parent, row.label["pair"])][row.label["role"]] = row
    whole = [p for p in pairs.values() if {"before", "after"} <= p.keys()]
    if not whole:
        return []
    truth = [PAIR_ANSWERS[p["before"].label["pair_truth"]] for p in whole]
    apart = share("pairs told apart, two checks",
                  [pair_answer(p["before"], p["after"]) == t for p, t in zip(whole, truth)])
    gap = [((p["before"].score or 0) - (p["after"].score or 0)) for p in whole]
    ranked = share("pairs fixed: before ranks above after",
                   [g > 0 for g, t in zip(gap, truth) if t == "fixed"])
    answers = [run_json([binary, "compare", str(p["before"].path), str(p["after"].path), "--json",
                         *engine_options(p["before"].label, with_rpm)])[0].get("answer")
               for p in whole]
    if not any(answers):
        print(f"!!! {binary} compare --json gives no answer: SKIPPED", file=sys.stderr)
        return [apart, ranked]
    wrong = [f"{p['before'].label['pair']}:{t}/{a}" for p, t, a in zip(whole, truth, answers)
             if a != t]
    return [apart, ranked, share("pairs told apart, compare",
                                 [a == t for a, t in zip(answers, truth)],
                                 "pair:truth/said " + " ".join(wrong) if wrong else "")]


def measures(rows, binary, with_rpm):
    """All figures of one program, in printing order."""
    engines = [r for r in rows if r.kind in VERDICTS and r.kind != "not-an-engine"]
    noises = [r for r in rows if r.kind == "not-an-engine"]
    known = engines + noises
    timed = [r for r in engines if r.rpm_error is not None]
    close = [r for r in timed if r.rpm_error <= 0.01]
    of = lambda *kinds: [r for r in rows if r.kind in kinds]
    alarm = lambda r: r.said in MISSES
    sound = lambda r: r.kind in ("even", "not-an-engine")
    clean = [r for r in engines if r.label.get("profile") == "idle"
             and (r.label.get("snr_db") or 0) >= 10 and (r.label.get("duration") or 0) >= 8]
    sized = [r for r in engines if r.finding.get("missing_event_ratio") is not None]
    off = [abs(r.finding["missing_event_ratio"] - r.label["missing_ratio"]) for r in sized]
    spans = [(r.finding["missing_event_ratio_interval"], r.label["missing_ratio"]) for r in sized
             if r.finding.get("missing_event_ratio_interval")]
    sure = [r for r in known if r.answered and r.finding.get("confidence") is not None]
    singles = [r for r in of("intermittent", "scattered") if r.events is not None
               and r.label["events"] and (r.label.get("snr_db") or 0) >= 10]
    median = lambda part: float(np.median([r.rpm_error for r in part])) if part else None
    dead_set = of("dead", "even", "lumpy", "weak")
    any_set = [r for r in engines if counts_as_any_miss(r) or r.kind in ("even", "lumpy", "weak")]
    own_car = [r for r in rows if r.path.stem.startswith("A-") and r.label.get("rpm_about")]
    table = [
        share("rpm within 1 %, steady idle",
              [r.rpm_error <= 0.01 for r in timed if r.label.get("profile") in STEADY]),
        share("rpm within 1 %, all profiles", [r.rpm_error <= 0.01 for r in timed]),
        estimate("rpm error where within 1 %, median", close, median),
        estimate("dead against healthy, AUC", dead_set, lambda s: area(lambda r: r.kind == "dead", s),
                 "healthy: even, lumpy, weak"),
        estimate("any miss against healthy, AUC", any_set, lambda s: area(counts_as_any_miss, s)),
        alarms_at("false alarms, even + no engine, at 85 % detection", rows, sound, 0.85),
        alarms_at("false alarms, even + no engine, at 95 % detection", rows, sound, 0.95),
        alarms_at("false alarms, no engine, at 85 % detection", rows,
                  lambda r: r.kind == "not-an-engine", 0.85),
        share("dead answered with a miss", map(alarm, of("dead"))),
        share("dead answered dead_miss", [r.right for r in of("dead")]),
        share("any miss answered with a miss", [alarm(r) for r in rows if counts_as_any_miss(r)]),
        share("even answered with a miss", map(alarm, of("even"))),
        share("weak or lumpy answered with a miss", map(alarm, of("weak", "lumpy"))),
        share("no engine answered with a miss", map(alarm, noises)),
        share("no engine answered at all", [r.answered for r in noises]),
        share("pattern right where answered", [r.right for r in engines if r.answered]),
        share("unclear", [r.said == "unclear" for r in engines]),
        share("pattern right where answered, clean idle", [r.right for r in clean if r.answered]),
        share("unclear, clean idle", [r.said == "unclear" for r in clean]),
        estimate("missing ratio error, median", sized, lambda s: float(np.median(
            [abs(r.finding["missing_event_ratio"] - r.label["missing_ratio"]) for r in s]))),
        Measure("missing ratio error, 95th percentile", float(np.percentile(off, 95)) if off
                else None, n=len(off)),
        share("missing ratio interval holds the truth",
              [low - 1e-4 <= t <= high + 1e-4 for (low, high), t in spans]),
        estimate("single-event F1, SNR 10 dB and up", singles, event_f1) if singles
        else Measure("single-event F1, SNR 10 dB and up", None, note="SKIPPED: no judged events"),
        estimate("confidence: calibration error (ECE)", sure, calibration_error),
        *pair_measures(rows, binary, with_rpm),
        share("car A right", [r.right for r in own_car]),
        share("car A rpm within 5 % of about", [abs(((r.finding.get("rpm") or {}).get("mean") or 0)
              / r.label["rpm_about"] - 1) <= 0.05 for r in own_car]),
        share("no truth known: answered without trouble",
              [r.said != "trouble" for r in rows if r.kind not in VERDICTS]),
        share("trouble", [r.said == "trouble" for r in rows]),
        Measure("seconds a recording, median", float(np.median([r.seconds for r in rows])),
                n=len(rows)),
    ]
    return table
