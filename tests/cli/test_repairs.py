"""Engines made up before and after: what one recording leaves open, the others settle.

Arguments: PROGRAM SOURCE_FOLDER SYNTH.
"""
import array
import json
import math
import pathlib
import random
import subprocess
import sys
import wave

import program
from program import PATIENCE_S, Case, run

SYNTH = pathlib.Path(sys.argv[3]).resolve()
THREE = {"seed": 1, "duration_s": 14, "view": "tailpipe", "distance_m": 0.4, "background": ["speech", "fan"], "snr_db": 15,
         "engine": {"id": "engine", "seed": 410867756, "layout": "inline3", "headers": "long"},
         "microphone": {"name": "wide48"}}
FLAT = {"seed": 1, "duration_s": 10, "view": "tailpipe", "distance_m": 0.7, "background": ["music", "fan"], "snr_db": 15,
        "engine": {"id": "engine", "seed": 174513633, "layout": "flat4", "headers": "log"},
        "trouble": {"condition": "dead", "cylinders": [2]}, "microphone": {"name": "cam44", "rate_hz": 44100}}


class Repairs(Case):
    def made(self, name, scene, **more):
        """Path and truth of a scene."""
        base = self.folder / name
        base.with_suffix(".json").write_text(json.dumps({"name": name, **scene, **more}))
        subprocess.run([SYNTH, base.with_suffix(".json"), "-o", base.with_suffix(".wav"), "--truth", base.with_suffix(".truth")],
                       check=True, capture_output=True, timeout=PATIENCE_S)
        return str(base.with_suffix(".wav")), json.loads(base.with_suffix(".truth").read_text())

    def test_an_even_engine_is_heard_at_the_speed_at_which_it_missed(self):
        # Alone, an evenly firing three is also one that turns three times as fast on one cylinder.
        (before, old), (after, new) = (
            self.made("before", THREE, seed=1067143641, trouble={"condition": "dead", "cylinders": [3]}),
            self.made("after", THREE, seed=889911099, trouble={"condition": "healthy"}))
        for pair, speeds, says in (((before, after), (old, new), ("fixed", 0)), ((after, before), (new, old), ("worse", 1))):
            out, _, status = run("compare", "--engine", "inline3", "--json", *pair)
            answer = json.loads(out)
            self.assertEqual((answer["answer"], status), says)
            for side, truth in zip(("before", "after"), speeds):
                self.assertAlmostEqual(answer[side]["rpm"]["mean"] / truth["rpm_mean_running"], 1.0, delta=0.01)

    def with_clamp(self, path, truth, rate):
        """The recording with a second channel: cylinder 1's lead, wasted spark, every turn a pulse."""
        chance = random.Random(1)
        with wave.open(path, "rb") as file:
            sound = array.array("h", file.readframes(file.getnframes()))
        clamp = [chance.gauss(0, 60) for _ in sound]
        opening = [e[0] for e in truth["events"] if e[1] == 1]
        for a, b in zip(opening, opening[1:]):
            for t in (b - 0.2 * (b - a), b + 0.3 * (b - a)):
                first = int(t * rate)
                for i in range(min(60, len(clamp) - first) if first > 0 else 0):
                    clamp[first + i] += 12000 * math.exp(-i / 13) * math.sin(0.43 * i + 1)
        both = array.array("h", [0]) * (2 * len(sound))
        both[0::2], both[1::2] = sound, array.array("h", (round(v) for v in clamp))
        with wave.open(path, "wb") as file:
            file.setnchannels(2)
            file.setsampwidth(2)
            file.setframerate(rate)
            file.writeframes(both.tobytes())
        return path

    def test_a_clamp_pulses_alike_in_all_recordings(self):
        # With two opposite cylinders silent a flat four may be heard at twice its speed; the clamp says otherwise.
        all_in, off = (self.with_clamp(*self.made(name, FLAT, **more), 44100) for name, more in (
            ("all-in", {"seed": 5}),
            ("off-1", {"seed": 942102513, "unplugged": [{"at_s": -4.5, "cylinder": 1}]})))
        out, _, status = run("locate", "--engine", "flat4", "--json", all_in, "--off", f"1={off}", "--trigger", "2")
        answer = json.loads(out)
        self.assertEqual((answer["candidates"][0]["cylinder"], answer["phase_kept"], status), (2, True, 1), answer)
        self.assertGreater(answer["candidates"][0]["probability"], 0.9)
        self.assertEqual(sum("every turn" in r for r in answer["reasons"]), 2, answer["reasons"])


program.main()
