"""What the outside checks share: counting failures, skipping loudly, asking the program, and an
engine sound made without any of our own code.

The sound is the textbook model, not a copy of what the program looks for: one damped pressure pulse
and one burst of hiss at every exhaust event, a pipe resonance, a wandering idle, pink noise.
"""
import dataclasses
import json
import subprocess
import sys

import numpy as np
import soundfile
from scipy import signal

SKIP = 77
RATE_HZ = 32000


def skip(why):
    """Leave the test unrun, loudly."""
    print(f"!!!! SKIPPED, NOT CHECKED: {why}", flush=True)
    sys.exit(SKIP)


class Checks:
    """Collects comparisons; `end()` exits 1 when any failed or none was made."""

    def __init__(self):
        self.made = self.failed = 0

    def true(self, what, good):
        self.made += 1
        self.failed += not good
        print(f"{'ok  ' if good else 'FAIL'} {what}", flush=True)

    def close(self, what, got, want, tolerance):
        """|got - want| <= tolerance, absolute; None never passes."""
        shown = "nothing" if got is None else f"{got:.6g}"
        self.true(f"{what}: {shown}, reference {want:.6g} +- {tolerance:.2g}",
                  got is not None and abs(got - want) <= tolerance)

    def end(self):
        print(f"{self.made} comparisons, {self.failed} failed")
        sys.exit(1 if self.failed or not self.made else 0)


@dataclasses.dataclass
class Layout:
    """An engine as this folder's references see it."""
    cylinders: int
    strokes: int = 4
    intervals: tuple = ()  # degrees, empty for even firing

    @property
    def cycle_deg(self):
        return 180.0 * self.strokes

    @property
    def starts(self):
        """Firing angles in degrees from the first."""
        steps = self.intervals or (self.cycle_deg / self.cylinders,) * self.cylinders
        return np.concatenate([[0.0], np.cumsum(steps)[:-1]])

    def options(self):
        """The same engine on our command line."""
        words = ["--cylinders", str(self.cylinders), "--strokes", str(self.strokes)]
        return words + (["--intervals", ",".join(f"{i:g}" for i in self.intervals)]
                        if self.intervals else [])


def engine_sound(layout, rpm, seconds, fires, seed=1, snr_db=20.0, wander=0.004):
    """(samples within +-0.9, truth) of an engine heard at the pipe.

    fires(cycle, position) -> bool. truth: mean rpm over the recording, and an array of
    (time s, position, fired). `wander` is the relative standard deviation of the slow speed drift.
    """
    rng = np.random.default_rng(seed)
    count = int(seconds * RATE_HZ)
    drift = signal.sosfiltfilt(signal.butter(2, 0.5, fs=100, output="sos"),
                               rng.standard_normal(int(seconds * 100) + 400))[200:]
    speed = np.interp(np.arange(count) / RATE_HZ, np.arange(len(drift)) / 100,
                      rpm * (1 + wander * drift / drift.std()))
    crank = np.cumsum(speed) / RATE_HZ * 6.0  # degrees
    events = [(cycle, p, cycle * layout.cycle_deg + a)
              for cycle in range(int(crank[-1] // layout.cycle_deg))
              for p, a in enumerate(layout.starts)]
    times = np.interp([e[2] for e in events], crank, np.arange(count) / RATE_HZ)
    pulse, hiss, truth = np.zeros(count), np.zeros(count), []
    length = int(0.012 * RATE_HZ)
    shape = np.sin(np.pi * np.arange(length) / length) ** 2
    for (cycle, p, _), t in zip(events, times):
        fired = bool(fires(cycle, p))
        truth.append((t, p, fired))
        at = int((t + 0.020) * RATE_HZ)  # the sound needs about 20 ms down the pipe
        if not fired or at + length >= count:
            continue
        strength = 1 + 0.05 * rng.standard_normal()
        pulse[at:at + length] += strength * shape
        hiss[at:at + length] += strength * shape
    body = signal.lfilter(*signal.iirpeak(110, 3, fs=RATE_HZ), pulse) + 0.3 * pulse
    flow = hiss * signal.sosfilt(signal.butter(2, (500, 6000), "bandpass", fs=RATE_HZ,
                                               output="sos"), rng.standard_normal(count))
    engine = body / body.std() + 0.3 * flow / flow.std()
    white = np.fft.rfft(rng.standard_normal(count))
    pink = np.fft.irfft(white / np.sqrt(np.maximum(np.arange(len(white)), 20)), count)
    sound = signal.sosfilt(signal.butter(1, 25, "highpass", fs=RATE_HZ, output="sos"),
                           engine + pink / pink.std() * engine.std() * 10 ** (-snr_db / 20))
    return 0.9 * sound / np.abs(sound).max(), float(speed.mean()), np.array(truth)


def write(path, samples):
    """Writes a mono 16-bit WAV at RATE_HZ."""
    soundfile.write(path, samples, RATE_HZ, subtype="PCM_16")
    return str(path)


def ask(program, wav, options, *more):
    """The finding of `check --json`; a run in trouble fails the test at once."""
    run = subprocess.run([program, "check", wav, "--json", *options, *more], capture_output=True,
                         text=True, timeout=900)
    if run.returncode not in (0, 1, 3):
        print(f"FAIL {program} check {wav}: exit {run.returncode}: {run.stderr.strip()}")
        sys.exit(1)
    return json.loads(run.stdout.strip().splitlines()[-1])


def flow_envelope(samples, rate, band=(300, 4000), out_rate=500):
    """(envelope, its rate): scipy's Hilbert magnitude of the band, smoothed and decimated."""
    sos = signal.butter(2, band, "bandpass", fs=rate, output="sos")
    level = np.abs(signal.hilbert(signal.sosfiltfilt(sos, samples)))
    level = signal.sosfiltfilt(signal.butter(4, 0.4 * out_rate, fs=rate, output="sos"), level)
    marks = np.arange(0, len(level), rate / out_rate)
    level = np.interp(marks, np.arange(len(level)), level)
    return level - level.mean(), out_rate


def peak_between(samples, rate, low_hz, high_hz):
    """Frequency of the strongest line between two frequencies, by a parabola on a long FFT."""
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(len(samples)), 8 * len(samples)))
    step = rate / (8 * len(samples))
    first = int(low_hz / step)
    k = first + int(np.argmax(spectrum[first:int(high_hz / step)]))
    a, b, c = np.log(spectrum[k - 1:k + 2])
    return (k + 0.5 * (a - c) / (a - 2 * b + c)) * step
