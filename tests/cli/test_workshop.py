"""compare, droptest, locate and clicks from outside: answers on the shipped recordings, refusals."""
import json
import pathlib
import re
import subprocess

import program
from program import SOURCE, Case, run, tone

SAMPLES = SOURCE / "samples"
BEFORE, AFTER, TAKE = (str(SAMPLES / f"van-{n}.flac") for n in ("before", "after", "droptest"))
FOUR = ("--engine", "inline4")
MARKS = "8:1,14:on,18:2,24:on,28:3,34:on,38:4,44:on"


class Compare(Case):
    def answer(self, *arguments):
        out, err, status = run("compare", *FOUR, "--json", *arguments)
        self.assertEqual(err, "", arguments)
        return json.loads(out), status

    def test_the_van_is_fixed(self):
        answer, status = self.answer(BEFORE, AFTER)
        self.assertEqual((answer["schema"], answer["answer"], status),
                         ("pipebeat.compare/1", "fixed", 0))
        self.assertLess(answer["ratio_change_interval"][1], 0)
        self.assertAlmostEqual(answer["ratio_change"], -0.25, delta=0.02)
        self.assertEqual(answer["before"]["schema"], "pipebeat.check/1")
        self.assertEqual(len(answer["positions"]), 4)
        self.assertTrue(answer["reasons"])

    def test_the_other_ways_round(self):
        self.assertEqual([(a["answer"], s) for a, s in (self.answer(AFTER, BEFORE), self.answer(BEFORE, BEFORE),
                                                        self.answer(AFTER, AFTER))],
                         [("worse", 1), ("unchanged", 1), ("unchanged", 0)])

    def test_one_recording_given_twice_is_noticed(self):
        copy, cut = self.folder / "copy.ogg", self.folder / "cut.wav"
        subprocess.run(["sox", BEFORE, "-C", "0", "-r", "22050", copy, "gain", "-6"], check=True)
        subprocess.run(["sox", BEFORE, cut, "trim", "3"], check=True)
        for other in (BEFORE, str(copy), str(cut)):
            answer, status = self.answer(BEFORE, other)
            self.assertEqual((answer["answer"], status, answer["ratio_change"]), ("unchanged", 1, None), other)
            self.assertTrue(answer["reasons"][0].startswith("same_recording: "), answer["reasons"])
        out, _, _ = run("compare", *FOUR, BEFORE, BEFORE)
        self.assertTrue(out.startswith("The same recording before and after"), out)
        self.assertIn("one made before the repair, one made after it", out)
        answer, status = self.answer("--before", BEFORE, "--after", AFTER, str(copy))
        self.assertEqual((answer["answer"], status), ("cannot_compare", 3))
        card = str(self.folder / "card")
        self.assertEqual(run("job", "new", card, "--vehicle", "van", "--engine", "inline4")[2], 0)
        self.assertIn("not kept in the job", run("compare", "--job", card, BEFORE, BEFORE)[1])
        self.assertNotIn("compare:", run("job", "show", card)[0])
        self.assertEqual(run("compare", "--job", card, BEFORE, AFTER)[1:], ("", 0))
        self.assertIn("compare: fixed", run("job", "show", card)[0])
        for pair in ((BEFORE, AFTER), (AFTER, str(SAMPLES / "van-raised.flac"))):
            self.assertNotIn("same_recording", " ".join(self.answer(*pair)[0]["reasons"]))

    def test_sets_are_compared_as_well(self):
        answer, status = self.answer("--before", BEFORE, "--after", AFTER, AFTER)
        self.assertEqual((answer["answer"], status), ("fixed", 0))

    def test_a_dead_cylinder_at_a_raised_speed_is_not_told_as_fixed(self):
        answer, status = self.answer(BEFORE, str(SAMPLES / "van-raised.flac"))
        self.assertEqual((answer["answer"], status, answer["gone_probability"]), ("cannot_compare", 3, None))
        self.assertRegex(answer["reasons"][0], "^other_speed: .* 7[0-9]+ rpm before, 1[0-9]+ after")
        out, _, _ = run("compare", *FOUR, BEFORE, str(SAMPLES / "van-raised.flac"))
        self.assertIn("same speed", " ".join(out.split()))

    def test_a_tone_cannot_be_compared(self):
        answer, status = self.answer(BEFORE, tone(self.folder / "tone.wav", 8.0))
        self.assertEqual((answer["answer"], status), ("cannot_compare", 3))
        self.assertIsNone(answer["ratio_change"])

    def test_the_text_says_it_first(self):
        out, _, _ = run("compare", *FOUR, BEFORE, AFTER)
        self.assertTrue(out.startswith("Fixed: "), out)
        self.assertIn("Caution when recording", out)

    def test_refusals(self):
        self.refused("compare", *FOUR, BEFORE, says=("one recording from before",))
        self.refused("compare", *FOUR, "--before", BEFORE)
        self.refused("compare", *FOUR, BEFORE, "none.wav", says=("none.wav",))
        self.refused("compare", BEFORE, AFTER, says=("cylinders",))


class Droptest(Case):
    def test_the_marked_take_names_cylinder_three(self):
        out, err, status = run("droptest", *FOUR, "--json", TAKE, "--marks", MARKS)
        self.assertEqual((status, err), (1, ""))
        answer = json.loads(out)
        self.assertEqual((answer["schema"], answer["dead_cylinders"]), ("pipebeat.droptest/1", [3]))
        self.assertEqual([c["cylinder"] for c in answer["cylinders"]], [1, 2, 3, 4])
        for cylinder in answer["cylinders"]:
            low, high = cylinder["rpm_drop_interval"]
            self.assertTrue(low <= cylinder["rpm_drop"] <= high)

    def test_cautions_come_first(self):
        for command in (("droptest", "--marks", MARKS), ("locate", "--off", "1@8")):
            out, _, _ = run(*command, *FOUR, TAKE)
            self.assertTrue(out.startswith("Caution first: "), out)
            self.assertIn("catalyst", out)

    def test_refusals(self):
        self.refused("droptest", *FOUR, says=("baseline",))
        self.refused("droptest", *FOUR, "--baseline", BEFORE, says=("--off",))
        self.refused("droptest", *FOUR, TAKE, says=("cue points",))
        for marks, says in (("8", "8"), ("8:7", "7"), ("8:1,4:on", "4 s"), ("8:1,9:on", "too little time"),
                            ("x:1", "x"), ("500:1", "ends before"), ("", "--marks")):
            self.refused("droptest", *FOUR, TAKE, f"--marks={marks}", says=(says,))
        self.refused("droptest", *FOUR, "--baseline", BEFORE, "--off", "1", says=("CYLINDER=RECORDING",))
        self.refused("droptest", *FOUR, "--baseline", BEFORE, "--off", "9=x.wav", says=("9",))


class Locate(Case):
    def first_seconds(self, seconds):
        """The take cut there, as a WAV."""
        path = self.folder / "cut.wav"
        subprocess.run(["sox", TAKE, path, "trim", "0", str(seconds)], check=True)
        return str(path)

    def test_one_unplugging_names_cylinder_three(self):
        out, _, status = run("locate", *FOUR, "--json", self.first_seconds(13.5), "--off", "1@8")
        answer = json.loads(out)
        self.assertEqual((answer["schema"], answer["candidates"][0]["cylinder"], status),
                         ("pipebeat.locate/1", 3, 1))
        self.assertGreater(answer["candidates"][0]["probability"], 0.95)
        self.assertTrue(answer["phase_kept"])

    def test_what_a_cut_take_left_beside_it_is_read(self):
        cut = self.first_seconds(17.5)
        marks = pathlib.Path(cut + ".marks")
        for lines, names in (("8.0\tunplugged 1 now\n10.1\tmark\n14.0\tback on\n", [3]),
                             ("8.0\toff 1\n11.0\ton\n12.0\tstill off 1\n14.0\ton\n", [3])):
            marks.write_text(lines)
            answer = json.loads(run("locate", *FOUR, "--json", cut)[0])
            self.assertEqual([c["cylinder"] for c in answer["candidates"]], names, (lines, answer))
        marks.write_text("8.0\tcough\n")
        self.refused("locate", *FOUR, cut, says=('named "cough"', "neither a cylinder nor"))
        marks.write_text("8.0\tmark\n")
        self.refused("locate", *FOUR, cut, says=("none of its cue points",))

    def test_a_trigger_needs_a_second_channel(self):
        cut = self.first_seconds(13.5)
        self.refused("locate", *FOUR, cut, "--off", "1@8", "--trigger", "2", says=("no channel 2 for --trigger", "two channels"))
        two = self.folder / "two.wav"
        subprocess.run(["sox", "-M", cut, cut, two], check=True)
        self.refused("locate", *FOUR, str(two), "--off", "1@8", "--trigger", "2", says=("channel 2", "plug lead"))
        self.refused("locate", *FOUR, str(two), "--off", "1@8", "--trigger", "2", "--channel", "2",
                     says=("same channel",))

    def test_every_mark_of_the_whole_take_agrees(self):
        answer = json.loads(run("locate", *FOUR, "--json", TAKE, "--marks", MARKS)[0])
        self.assertEqual(answer["candidates"][0]["cylinder"], 3)

    def test_an_unplugging_that_nobody_named_is_noticed(self):
        for marks, first in (("8:1", 14), ("8:1,14:on", 18), ("8:1,14:on,18:2", 24)):
            out, _, status = run("locate", *FOUR, "--json", TAKE, "--marks", marks)
            answer = json.loads(out)
            self.assertEqual((answer["candidates"], status), ([], 3), marks)
            said = re.match(r"unnamed_change: .* changes at ([0-9.]+) s as if one more cylinder", answer["reasons"][0])
            self.assertTrue(said, answer["reasons"])
            self.assertIn(round(float(said[1])), range(first - 1, first + 2), marks)

    def test_a_lead_that_was_never_off(self):
        answer = json.loads(run("locate", *FOUR, "--json", AFTER, "--off", "1@6")[0])
        self.assertEqual(answer["candidates"], [])
        self.assertIn("was 1 unplugged at all?", answer["reasons"][0])

    def test_the_order_that_nobody_stated_is_said(self):
        cut = self.first_seconds(13.5)
        for words, order in ((FOUR, "1-3-4-2, that of inline4"),
                             (("--cylinders", "4"), "1-2-3-4, because none was given")):
            answer = json.loads(run("locate", *words, "--json", cut, "--off", "1@8")[0])
            self.assertIn("firing order taken as " + order, answer["reasons"][-1])
            self.assertEqual(answer["assumed_order"], order.split(",")[0])
        stated = run("locate", *FOUR, "--order", "1-3-4-2", cut, "--off", "1@8")[0]
        self.assertNotIn("order taken as", stated)
        self.assertIn("\nIt is cylinder 3 (", stated)
        # A job may not know the order either.
        card = str(self.folder / "card")
        self.assertEqual(run("job", "new", card, "--vehicle", "van", "--cylinders", "4")[2], 0)
        self.assertIn("\nIt is cylinder 2, if the engine fires 1-2-3-4 (", run("locate", "--job", card, cut, "--off", "1@8")[0])
        self.assertIn("in a firing order that nobody has looked up", " ".join(run("job", "next", card)[0].split()))
        # Nor one that knows the layout only: flat fours of another make fire 1-4-3-2.
        card = str(self.folder / "flat")
        self.assertEqual(run("job", "new", card, "--vehicle", "van", "--engine", "flat4")[2], 0)
        self.assertIn("firing order taken as 1-3-2-4, that of flat4",
                      json.loads(run("locate", "--job", card, "--json", cut, "--off", "1@8")[0])["reasons"][-1])
        self.assertIn("firing order 1-3-2-4 (the usual one, not looked up)", " ".join(run("job", "show", card)[0].split()))
        card = str(self.folder / "looked up")
        self.assertEqual(run("job", "new", card, "--vehicle", "van", *FOUR, "--order", "1-3-4-2")[2], 0)
        self.assertIn("\nIt is cylinder 3 (", run("locate", "--job", card, cut, "--off", "1@8")[0])
        self.assertNotIn("looked up)", run("job", "show", card)[0])
        note = run("check", "--cylinders", "8", "--heard", "1,2,3,4", cut)[1]
        self.assertIn("Note: firing order taken as 1-2-3-4-5-6-7-8", note)

    def test_refusals(self):
        self.refused("locate", *FOUR, TAKE, "--off", "1", says=("CYLINDER@SECONDS",))
        self.refused("locate", *FOUR, TAKE, "--off", "5@3", says=("5",))
        self.refused("locate", *FOUR, TAKE, BEFORE, says=("nothing says",))
        for words in (("locate", TAKE, "--off", "1@3"), ("droptest", TAKE, "--marks", "8:1"), ("droptest", "--live")):
            self.refused(*words, "--cylinders", "1", says=("one cylinder", "pipebeat check"))
        self.refused("locate", *FOUR, TAKE, BEFORE, "--off", "1@3", says=("one take",))


class OneRecordingGivenTwice(Case):
    """An unplugging that was never recorded changes nothing: it must not be told as a dead cylinder."""

    def test_is_refused(self):
        plugged_in, one_off, copy = (str(self.folder / n) for n in ("in.wav", "off1.wav", "copy.wav"))
        subprocess.run(["sox", TAKE, plugged_in, "trim", "0", "7.5"], check=True)
        subprocess.run(["sox", TAKE, one_off, "trim", "8.5", "5"], check=True)
        subprocess.run(["sox", plugged_in, "-r", "22050", copy, "gain", "-3"], check=True)
        for command, first in (("droptest", ("--baseline", plugged_in)), ("locate", (plugged_in,))):
            self.refused(command, *FOUR, *first, "--off", f"1={plugged_in}", says=("it is given twice",))
            self.refused(command, *FOUR, *first, "--off", f"1={one_off}", "--off", f"2={copy}",
                         says=("copy.wav: it is the same recording as ", "in.wav"))
            self.assertEqual(run(command, *FOUR, *first, "--off", f"1={one_off}")[1], "")


class Clicks(Case):
    def test_refusals(self):
        sound = tone(self.folder / "tone.wav")
        self.refused("clicks", f"1={sound}", says=("--rpm",))
        self.refused("clicks", sound, "--rpm", "700", says=("CYLINDER=RECORDING",))
        self.refused("clicks", "1=none.wav", "--rpm", "700", says=("none.wav",))

    def test_a_tone_does_not_click(self):
        out, _, status = run("clicks", f"1={tone(self.folder / 'tone.wav', 8.0)}", "--rpm", "700", "--json")
        answer = json.loads(out)
        self.assertEqual(answer["schema"], "pipebeat.clicks/1")
        self.assertIn(answer["injectors"][0]["state"], ("silent", "unclear"))
        self.assertIn(status, (1, 3))


program.main()
