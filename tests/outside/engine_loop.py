#!/usr/bin/python3
"""A real engine loop from Debian, its repetition frequency by scipy and by `check`.

Source: sounds/carEngine.ogg of Debian's dustracing2d-data (GPL-3+), fetched by apt into a temporary
folder, never kept. Four seconds made to be looped; played five times in a row here. scipy finds one
strong line, the pulse rate, and an autocorrelation of the envelope that is highest at four pulses:
the sound of a four. So `check --cylinders 4` must find that firing frequency, not a half of it.

    engine_loop.py PIPEBEAT
"""
import pathlib
import shutil
import subprocess
import sys
import tempfile

import numpy as np
import soundfile
from scipy import signal

from outside import Checks, ask, flow_envelope, peak_between, skip

PACKAGE = "dustracing2d-data"
LOOP = "usr/share/games/dustracing2d/sounds/carEngine.ogg"


def fetch(folder):
    """Path of the loop, unpacked below folder; skips without apt or network."""
    if not shutil.which("apt-get"):
        skip("no apt-get here, the engine loop of dustracing2d-data can't be had")
    try:
        subprocess.run(["apt-get", "download", PACKAGE], cwd=folder, check=True,
                       capture_output=True, timeout=120)
    except (subprocess.CalledProcessError, subprocess.TimeoutExpired) as error:
        skip(f"apt-get download {PACKAGE} failed (no network?): {error}")
    package = next(folder.glob("*.deb"))
    subprocess.run(["dpkg-deb", "-x", package, folder / "x"], check=True, timeout=60)
    return folder / "x" / LOOP


def main():
    program, checks = sys.argv[1], Checks()
    with tempfile.TemporaryDirectory() as name:
        folder = pathlib.Path(name)
        samples, rate = soundfile.read(fetch(folder))
        looped = np.tile(samples, 5)
        wav = str(folder / "loop.wav")
        soundfile.write(wav, looped, rate, subtype="PCM_16")

        pulses = peak_between(samples, rate, 20, 300)
        level, level_rate = flow_envelope(samples, rate)
        likeness = signal.correlate(level, level)[len(level) - 1:]
        likeness /= likeness[0] * (1 - np.arange(len(level)) / len(level))
        at = lambda n: float(likeness[round(n * level_rate / pulses) - 1:][:3].max())
        print(f"     scipy: {pulses:.2f} pulses a second; likeness after 1, 2, 3, 4 pulses: "
              + " ".join(f"{at(n):.2f}" for n in (1, 2, 3, 4)))
        checks.true("scipy: the sound repeats best after four pulses",
                    at(4) > 1.2 * max(at(1), at(2), at(3)))
        cycle = peak_between(level, level_rate, 0.9 * pulses / 4, 1.1 * pulses / 4)
        checks.close("scipy: the cycle line is a quarter of the pulse rate", cycle, pulses / 4,
                     0.005 * pulses / 4)
        for guess in ([], ["--rpm", f"{30 * pulses:.0f}"]):
            said = ask(program, wav, ["--cylinders", "4"], *guess)
            title = " ".join(["check", *guess])
            checks.close(f"{title}: firing_hz", said["firing_hz"], pulses, 0.01 * pulses)
            checks.close(f"{title}: rpm", (said["rpm"] or {}).get("mean"), 30 * pulses,
                         0.01 * 30 * pulses)
    checks.end()


if __name__ == "__main__":
    main()
