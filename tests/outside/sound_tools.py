#!/usr/bin/python3
"""What sox and aubio say of a recording, against `check`.

sox (soxi -D, -r; the `stats` effect's peak count, of a recording clipped on purpose) gives length,
sample rate and the share of clipped samples; aubio's onset detector counts the pulses of a slow
one-cylinder engine, which are the events `check` expects. Debian packages sox and python3-aubio.

    sound_tools.py PIPEBEAT
"""
import pathlib
import shutil
import subprocess
import sys
import tempfile

import numpy as np

from outside import Checks, Layout, RATE_HZ, ask, engine_sound, skip, write

if not shutil.which("sox"):
    skip("sox is not installed (apt install sox)")
try:
    import aubio
except ImportError:
    skip("aubio is not installed (apt install python3-aubio)")


def sox(*words):
    """Standard output and error of a sox program together."""
    run = subprocess.run(words, capture_output=True, text=True, check=True)
    return run.stdout + run.stderr


def main():
    program, checks = sys.argv[1], Checks()
    with tempfile.TemporaryDirectory() as folder:
        path = pathlib.Path(folder)
        sound, _, _ = engine_sound(Layout(4), 750, 15, lambda c, p: True)
        for name, samples in (("clean", sound), ("clipped", np.clip(4 * sound, -1, 1 - 2**-15))):
            wav = write(path / f"{name}.wav", samples)
            said = ask(program, wav, Layout(4).options())
            checks.close(f"{name}: duration against soxi", said["duration_s"],
                         float(sox("soxi", "-D", wav)), 0.001)
            checks.close(f"{name}: sample rate against soxi", said["sample_rate_hz"],
                         float(sox("soxi", "-r", wav)), 0)
            stats = sox("sox", wav, "-n", "stats").splitlines()
            text = next(line.split()[-1] for line in stats if line.startswith("Pk count"))
            # sox counts the samples at the highest and those at the lowest value together.
            at_peak = float(text.rstrip("kM")) * {"k": 1e3, "M": 1e6}.get(text[-1], 1)
            share = at_peak / len(samples) if name == "clipped" else 0.0
            print(f"     sox: {text} samples at either peak of {len(samples)}")
            checks.close(f"{name}: clipped share against sox", said["input"]["clipped_share"],
                         share, 0.1 * share + 2e-3)

        layout = Layout(1)
        sound, mean, truth = engine_sound(layout, 900, 20, lambda c, p: True, snr_db=35)
        wav = write(path / "single.wav", sound)
        detect = aubio.onset("energy", 1024, 256, RATE_HZ)
        detect.set_minioi_s(0.06)
        padded = np.append(sound, np.zeros(-len(sound) % 256)).astype(np.float32)
        onsets = [detect.get_last_s() for block in padded.reshape(-1, 256) if detect(block)[0]]
        rate = 1 / np.median(np.diff(onsets))
        checks.close("one cylinder: aubio's onset rate against how it was made", rate, mean / 120,
                     0.02 * mean / 120)
        checks.close("one cylinder: aubio's onset count against how it was made", len(onsets),
                     len(truth), 0.04 * len(truth))
        said = ask(program, wav, layout.options())
        checks.close("one cylinder: firing_hz against aubio's onset rate", said["firing_hz"], rate,
                     0.02 * rate)
        wanted = len(onsets) * said["input"]["usable_s"] / 20
        checks.close("one cylinder: events expected against aubio's onsets, usable share",
                     said["events"]["expected"], wanted, 0.05 * wanted)
    checks.end()


if __name__ == "__main__":
    main()
