#!/usr/bin/python3
"""Missing events counted the way engine rules count misfire: over 200 and 1000 revolutions.

Sources: Directive 98/69/EC, Annex XI, 2.8 (misfire as a share of the firing events);
13 CCR 1968.2(e)(3) (blocks of 200 and of 1000 crankshaft revolutions). Both from memory. A
four-stroke of N cylinders fires N/2 times a revolution: 400, 600, 800 events in 200 revolutions
and 2000, 3000, 4000 in 1000 for 4, 6, 8 cylinders; one dead cylinder is 25, 16.7, 12.5 % of them.

First by arithmetic against the engine model, then on recordings of a little over 1000 revolutions
whose every missing event is known.

    misfire_blocks.py ENGINE_PROBE PIPEBEAT
"""
import csv
import pathlib
import subprocess
import sys
import tempfile

import numpy as np

from outside import Checks, Layout, ask, engine_sound, write

EVENTS = {4: (400, 2000), 6: (600, 3000), 8: (800, 4000)}
DEAD_SHARE = {4: 0.25, 6: 0.167, 8: 0.125}
RPM = 750
SECONDS = 82  # 1025 revolutions


def main():
    probe, program = sys.argv[1:3]
    checks = Checks()
    for cylinders, blocks in EVENTS.items():
        out = subprocess.run([probe, str(cylinders), "4", "-", "-", "-", str(RPM), "0"],
                             capture_output=True, text=True, check=True).stdout.split()
        for revolutions, events in zip((200, 1000), blocks):
            checks.close(f"{cylinders} cylinders: events in {revolutions} revolutions",
                         float(out[1]) * revolutions * 60 / RPM, events, 1e-6)
        checks.close(f"{cylinders} cylinders: one dead cylinder's share of the events",
                     float(out[0]) / float(out[1]), DEAD_SHARE[cylinders], 4e-4)

    scenes = [(4, "one dead", lambda rng: lambda c, p: p != 1),
              (6, "one dead", lambda rng: lambda c, p: p != 3),
              (8, "one dead", lambda rng: lambda c, p: p != 5),
              (4, "one missing two times in five", lambda rng: lambda c, p: p != 2
               or rng.random() > 0.4)]
    with tempfile.TemporaryDirectory() as folder:
        for n, (cylinders, name, maker) in enumerate(scenes):
            layout = Layout(cylinders)
            sound, mean, truth = engine_sound(layout, RPM, SECONDS,
                                              maker(np.random.default_rng(100 + n)), seed=20 + n)
            wav = write(pathlib.Path(folder) / "long.wav", sound)
            table = pathlib.Path(folder) / "events.csv"
            said = ask(program, wav, layout.options(), "--events", str(table))
            title = f"{cylinders} cylinders, {name}"
            missing = truth[:, 2] == 0
            checks.close(f"{title}: rpm", (said["rpm"] or {}).get("mean"), mean, 0.005 * mean)
            checks.close(f"{title}: missing_event_ratio, whole recording",
                         said["missing_event_ratio"], missing.mean(), 0.01)
            checks.true(f"{title}: {said['events']['expected']} events expected, at least "
                        f"{EVENTS[cylinders][1]} of {len(truth)}",
                        (said["events"]["expected"] or 0) >= EVENTS[cylinders][1])
            with table.open() as lines:
                judged = [(float(e["time_s"]), float(e["missing_probability"]) >= 0.5)
                          for e in csv.DictReader(lines)]
            times, flags = np.array([t for t, _ in judged]), np.array([m for _, m in judged])
            for block in range(5):  # five blocks of 200 revolutions, by time of the known events
                size = EVENTS[cylinders][0]
                span = truth[block * size:(block + 1) * size]
                inside = (times >= span[0, 0] + 0.02) & (times <= span[-1, 0] + 0.02)
                share = float(flags[inside].mean()) if inside.any() else None
                checks.close(f"{title}: 200 revolutions, block {block + 1}", share,
                             float((span[:, 2] == 0).mean()), 0.02)
    checks.end()


if __name__ == "__main__":
    main()
