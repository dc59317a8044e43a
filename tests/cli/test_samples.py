"""The shipped recordings: the answers they must get, and the exit statuses that follow."""
import json
import pathlib
import subprocess
import wave

import program
from program import SOURCE, Case, run, tone

SAMPLES = SOURCE / "samples"
FOUR = ("check", "--cylinders", "4", "--order", "1-3-4-2")
BEFORE, AFTER, RAISED = (str(SAMPLES / f"van-{n}.flac") for n in ("before", "after", "raised"))


def truth(path):
    return json.loads(pathlib.Path(path).with_suffix(".json").read_text(encoding="utf-8"))


class Van(Case):
    def judged(self, path, verdict, status):
        out, err, said = run(*FOUR, "--json", path)
        self.assertEqual((said, err), (status, ""), out)
        finding = self.findings(out)[0]
        self.assertEqual(finding["verdict"], verdict)
        true = truth(path)
        self.assertAlmostEqual(finding["rpm"]["mean"] / true["rpm_mean_running"], 1.0, delta=0.01)
        self.assertAlmostEqual(finding["missing_event_ratio"], true["missing_ratio"], delta=0.02)
        self.assertEqual(len(finding["positions"]), 4)
        return finding

    def test_before_the_repair_a_cylinder_is_dead(self):
        finding = self.judged(BEFORE, "dead_miss", 1)
        missing = sorted(p["missing_ratio"] for p in finding["positions"])
        self.assertGreaterEqual(missing[-1], 0.95)
        self.assertLess(missing[-2], 0.05)

    def test_after_the_repair_none_misses(self):
        self.assertEqual(self.judged(AFTER, "even", 0)["events"]["missing"], 0)

    def test_at_a_raised_speed_it_is_still_dead(self):
        self.judged(RAISED, "dead_miss", 1)

    def test_the_text_says_so_first(self):
        out, _, status = run(*FOUR, BEFORE)
        self.assertEqual(status, 1)
        self.assertTrue(out.startswith("One cylinder is dead: 25 % of the exhaust pulses"), out)
        out, _, status = run(*FOUR, AFTER)
        self.assertEqual(status, 0)
        self.assertTrue(out.startswith("No miss: "), out)

    def test_a_wrong_number_of_cylinders_is_doubted(self):
        for cylinders, path in ((6, BEFORE), (8, BEFORE), (8, AFTER), (12, AFTER), (4, BEFORE), (4, AFTER), (4, RAISED)):
            out, _, _ = run("check", "--cylinders", str(cylinders), path)
            said = " ".join(out.split())
            self.assertEqual(f"An engine of 4 cylinders, firing evenly, would explain this sound better than one of {cylinders}."
                             in said, cylinders != 4, out)
            self.assertEqual(f"Make sure that it has {cylinders} cylinders" in said, cylinders != 4, out)

    def test_a_wrong_speed_guess_is_doubted(self):
        for guess in ("400", "1600"):
            out, _, status = run(*FOUR, "--json", "--rpm", guess, BEFORE)
            finding = json.loads(out)
            self.assertEqual((finding["verdict"], status), ("unclear", 3), guess)
            self.assertIn(finding["reasons"][0].split(":")[0], ("speed_ambiguous", "no_engine_heard"), finding["reasons"])
            self.assertIn(f"the speed was looked for near {guess} rpm, but 795 fits this sound better", finding["reasons"])
        self.assertEqual(run(*FOUR, "--rpm", "720", BEFORE)[2], 1)

    def test_a_known_good_recording_does_not_turn_the_answer(self):
        self.assertEqual(run(*FOUR, "--known-good", AFTER, BEFORE)[2], 1)


class ExitStatuses(Case):
    def test_trouble_before_a_miss_before_unclear_before_no_miss(self):
        unclear = tone(self.folder / "tone.wav", seconds=12.0)
        for recordings, status in (((AFTER, AFTER), 0), ((AFTER, unclear), 3),
                                   ((unclear, BEFORE, AFTER), 1), ((BEFORE, "none.wav"), 2)):
            self.assertEqual(run(*FOUR, "--json", *recordings)[2], status, recordings)


class Channels(Case):
    def test_the_channel_with_the_beat_is_chosen(self):
        # Channel 1 hums, channel 2 hears the van.
        raw = subprocess.run(["sox", BEFORE, "-t", "raw", "-e", "signed", "-b", "16", "-"],
                             capture_output=True, check=True).stdout
        with wave.open(tone(self.folder / "hum.wav", 14.0, 44100, hertz=50.0), "rb") as file:
            hum = file.readframes(file.getnframes())
        frames = bytearray()
        for i in range(0, min(len(raw), len(hum)), 2):
            frames += hum[i:i + 2] + raw[i:i + 2]
        path = str(self.folder / "two.wav")
        with wave.open(path, "wb") as file:
            file.setnchannels(2)
            file.setsampwidth(2)
            file.setframerate(44100)
            file.writeframes(bytes(frames))
        self.assertEqual(run(*FOUR, path)[2], 1)
        self.assertEqual(run(*FOUR, "--channel", "2", path)[2], 1)
        self.assertEqual(run(*FOUR, "--channel", "1", path)[2], 3)


class Streams(Case):
    def test_the_same_answer_through_a_pipe(self):
        sound = pathlib.Path(BEFORE).read_bytes()
        from_file = self.findings(run(*FOUR, "--json", BEFORE)[0])[0]
        from_pipe = self.findings(run(*FOUR, "--json", "-", stdin=sound)[0])[0]
        self.assertEqual(from_file | {"file": "-"}, from_pipe)


program.main()
