#!/usr/bin/python3
"""Speed, firing frequency and missing events of recordings made here, by scipy and by `check`.

The sound comes from outside.engine_sound (impulse trains, a resonance, noise). The reference speed
is scipy's: Hilbert envelope of the flow noise, long FFT, the firing line near where the recording
was made. One cylinder of N that never fires must be called a dead miss of 1/N of the events.
Source of the 1/N: Directive 98/69/EC, Annex XI, 2.8 counts misfires as a share of firing events.

    speed_and_miss.py PIPEBEAT
"""
import pathlib
import sys
import tempfile

from outside import Checks, Layout, RATE_HZ, ask, engine_sound, flow_envelope, peak_between, write

SCENES = [  # name, layout, rpm, position that never fires
    ("healthy four", Layout(4), 720, None),
    ("four, one dead", Layout(4), 700, 2),
    ("healthy three", Layout(3), 850, None),
    ("healthy six", Layout(6), 680, None),
    ("six, one dead", Layout(6), 690, 4),
    ("healthy odd-fire V6", Layout(6, 4, (90, 150, 90, 150, 90, 150)), 760, None),
    ("healthy eight", Layout(8), 640, None),
    ("eight, one dead", Layout(8), 650, 1),
    ("healthy even twin", Layout(2), 1150, None),
    ("two-stroke twin", Layout(2, 2), 1300, None),
]
SECONDS = 20


def main():
    program, checks = sys.argv[1], Checks()
    with tempfile.TemporaryDirectory() as folder:
        for n, (name, layout, rpm, dead) in enumerate(SCENES):
            sound, mean, _ = engine_sound(layout, rpm, SECONDS, lambda c, p: p != dead, seed=n)
            wav = write(pathlib.Path(folder) / "scene.wav", sound)
            firing = mean / 60 * layout.cylinders * 360 / layout.cycle_deg
            # Every cylinder of these scenes is as strong, so the strongest line near the rate at
            # which it was made is the firing line (odd-fire: its common divisor, half as fast).
            order = 0.5 if layout.intervals else 1.0
            line = peak_between(*flow_envelope(sound, RATE_HZ), 0.93 * order * firing,
                                1.07 * order * firing) / order
            checks.close(f"{name}: scipy's firing line against how it was made", line, firing,
                         0.01 * firing)
            said = ask(program, wav, layout.options())
            speed = (said["rpm"] or {}).get("mean")
            checks.close(f"{name}: rpm", speed, mean, 0.005 * mean)
            checks.close(f"{name}: firing_hz against scipy", said["firing_hz"], line, 0.01 * line)
            checks.close(f"{name}: missing_event_ratio", said["missing_event_ratio"],
                         0.0 if dead is None else 1 / layout.cylinders, 0.01)
            checks.true(f"{name}: verdict {said['verdict']}",
                        said["verdict"] == ("even" if dead is None else "dead_miss"))
            checks.close(f"{name}: duration_s", said["duration_s"], SECONDS, 0.01)
            if said["events"]["expected"] is not None:
                heard = firing * said["input"]["usable_s"]
                checks.close(f"{name}: events expected in the usable seconds",
                             said["events"]["expected"], heard, 0.03 * heard)
    checks.end()


if __name__ == "__main__":
    main()
