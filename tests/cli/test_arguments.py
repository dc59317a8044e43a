"""Options: what is understood, and every way of refusing one."""
import os
import pathlib

import program
from program import Case, run, tone


class Help(Case):
    def test_help_shows_every_command_with_an_example(self):
        out, err, status = run("--help")
        self.assertEqual((status, err), (0, ""))
        for command in ("check", "engines"):
            self.assertIn(f"  pipebeat {command}", out)

    def test_each_command_has_its_own_help_with_an_example(self):
        for command in ("check", "engines"):
            out, err, status = run(command, "--help")
            self.assertEqual((status, err), (0, ""))
            self.assertIn(f"Example: pipebeat {command}", out)

    def test_every_help_fits_a_terminal_as_it_opens(self):
        commands = [[]]
        for command in commands:  # grows by what each help lists
            out, err, status = run(*command, "--help")
            self.assertEqual((status, err), (0, ""), command)
            self.assertEqual([line for line in out.splitlines() if len(line) > 80], [], command)
            if "\nSubcommands:\n" in out:
                listed = out.split("\nSubcommands:\n")[1].split("\n\n")[0].splitlines()
                commands += [[*command, line.split()[0]] for line in listed if line[:3].strip()]
        self.assertIn(["job", "next"], commands)
        self.assertGreater(len(commands), 15)

    def test_version(self):
        self.assertEqual(run("--version"), ("pipebeat 0.1.0\n", "", 0))


class Refusals(Case):
    def setUp(self):
        super().setUp()
        self.wav = tone(self.folder / "a.wav")

    def test_no_command_or_an_unknown_one(self):
        self.refused(says=["no command", "--help"])
        self.refused("chekc", says=["chekc"])
        self.refused("check", says=["REC"])
        self.refused("check", "--cylinders", "4", says=["REC"])

    def test_an_unknown_option(self):
        self.refused("check", "--cylinders", "4", "--frobnicate", self.wav, says=["--frobnicate"])

    def test_the_words_are_ours_and_name_the_option_as_it_is_typed(self):
        out, err, _ = run("job", "sheet", os.fspath(self.folder))
        self.assertEqual(err, "pipebeat: -o FILE is missing; see `pipebeat job sheet --help`\n")
        for arguments, says in (
                (("check", "--cylinders", "4"), "REC is missing"),
                (("check", "--cylinders", "4.5", self.wav), "--cylinders 4.5: not a whole number"),
                (("check", "--cylinders", "four", self.wav), "--cylinders four: not a whole number"),
                (("check", "--cylinders", "4", "--rpm", "fast", self.wav), "--rpm fast: not a number"),
                (("check", self.wav, "--cylinders"), "--cylinders is given without its value"),
                (("check", "--cylinders", "4", "--cylinders", "6", self.wav),
                 "--cylinders is given more than once"),
                (("check", "--cylinders", "4", "--frobnicate", self.wav),
                 "--frobnicate: there is no such option"),
                (("engines", "inline4"), "inline4: one argument too many"),
                (("job",), "pipebeat job: it needs a command"),
                (("job", "frobnicate"), "frobnicate: there is no such command")):
            self.refused(*arguments, says=[f"pipebeat: {says}; see `pipebeat {arguments[0]}"])

    def test_a_slip_of_the_pen_is_told_what_was_meant(self):
        four = ("--cylinders", "4", self.wav)
        for arguments, says in (
                (("chekc", *four), "chekc: there is no such command; did you mean check? see"),
                (("job", "sheat", "van"), "sheat: there is no such command; did you mean sheet? see"),
                (("check", "--cylinder", "4", self.wav), "--cylinder: there is no such option; did you mean --cylinders? see"),
                (("check", "--Cylnders=4", self.wav), "did you mean --cylinders?"),
                (("check", *four, "--prm", "800"), "did you mean --rpm?"),
                (("check", "--engine", "Inline-4", self.wav), "no layout of that name; did you mean inline4?")):
            self.refused(*arguments, says=[says])
        # Four layouts are as near as each other, and nothing is near the last two.
        for arguments in (("check", "--engine", "inline7", self.wav), ("frobnicate",),
                          ("check", *four, "--" + "x" * 100000)):
            _, err, _ = run(*arguments)
            self.assertNotIn("did you mean", err)

    def test_a_recording_in_the_wrong_place_is_told_how_to_be_heard(self):
        dashed = pathlib.Path("-cold.wav")
        where = os.getcwd()
        os.chdir(self.folder)
        self.addCleanup(os.chdir, where)
        tone(dashed)
        self.refused("check", "--cylinders", "4", "-cold.wav", says=["-cold.wav: there is no such option", "given as ./-cold.wav"])
        self.refused("check", "--cylinders", "4", "-colt.wav", says=["-colt.wav: there is no such option; see"])
        self.refused(self.wav, says=["there is no such command", "pipebeat check --cylinders N RECORDING"])

    def test_an_option_before_the_command(self):
        self.refused("--cylinders", "4", "check", self.wav, says=["pipebeat check comes first, then its options"])

    def test_no_engine(self):
        self.refused("check", self.wav, says=["number of cylinders", "--engine"])

    def test_cylinders(self):
        for wrong in ("0", "17", "-4", "four", "4.5", ""):
            self.refused("check", "--cylinders", wrong, self.wav)

    def test_strokes(self):
        for wrong in ("3", "0", "x"):
            self.refused("check", "--cylinders", "4", "--strokes", wrong, self.wav)

    def test_order(self):
        for wrong in ("1-3-4", "1-3-4-4", "1-3-4-5", "1-3-x-2", "1-3-4-2-", "-", "1--3-4-2"):
            self.refused("check", "--cylinders", "4", f"--order={wrong}", self.wav, says=["order"])

    def test_intervals(self):
        for wrong in ("180,180,180", "180,180,180,181", "0,240,240,240", "nan,180,180,180", "a",
                      "180,180,180,180,"):
            self.refused("check", "--cylinders", "4", "--intervals", wrong, self.wav,
                         says=["intervals"])

    def test_heard(self):
        for wrong in ("0", "5", "1,1", "1,two", ","):
            self.refused("check", "--cylinders", "4", "--heard", wrong, self.wav, says=["heard"])

    def test_engine_name(self):
        self.refused("check", "--engine", "inline7", self.wav, says=["inline7", "engines"])
        self.refused("check", "--engine", "inline4", "--cylinders", "6", self.wav,
                     says=["inline4"])
        self.refused("check", "--engine", "inline4", "--strokes", "2", self.wav, says=["inline4"])

    def test_rpm(self):
        for wrong in ("0", "-700", "nan", "inf", "1e9", "fast", "1.800"):
            self.refused("check", "--cylinders", "4", f"--rpm={wrong}", self.wav, says=["rpm"])
        self.refused("check", "--cylinders", "4", "--rpm", "1,800", self.wav, says=["leave the comma out"])

    def test_channel(self):
        for wrong in ("0", "2", "-1"):
            self.refused("check", "--cylinders", "4", f"--channel={wrong}", self.wav,
                         says=["channel"])
        self.refused("check", "--cylinders", "4", "--channel", "left", self.wav, says=["channel"])

    def test_known_good(self):
        self.refused("check", "--cylinders", "4", "--known-good", "none.wav", self.wav,
                     says=["none.wav"])
        self.refused("check", "--cylinders", "4", "--known-good", self.wav, self.wav,
                     says=[self.wav, "no engine was heard", "known-good"])


class Engines(Case):
    def engine(self, *options):
        out, err, status = run("check", "--json", *options, tone(self.folder / "a.wav"))
        self.assertEqual((status, err), (3, ""))
        return self.findings(out)[0]["engine"]

    def test_from_options(self):
        self.assertEqual(self.engine("--cylinders", "6"),
                         {"cylinders": 6, "strokes": 4, "positions": 6})
        self.assertEqual(self.engine("--cylinders", "2", "--strokes", "2"),
                         {"cylinders": 2, "strokes": 2, "positions": 2})
        self.assertEqual(
            self.engine("--cylinders", "8", "--order", "1-3-7-2-6-5-4-8", "--heard", "1,2,3,4"),
            {"cylinders": 8, "strokes": 4, "positions": 4})
        self.assertEqual(self.engine("--cylinders", "6", "--intervals", "90,150,90,150,90,150"),
                         {"cylinders": 6, "strokes": 4, "positions": 6})

    def test_from_a_name_refined(self):
        self.assertEqual(self.engine("--engine", "v8-bank"),
                         {"cylinders": 8, "strokes": 4, "positions": 4})
        self.assertEqual(self.engine("--engine", "v8", "--heard", "1,3,5,7"),
                         {"cylinders": 8, "strokes": 4, "positions": 4})
        self.assertEqual(self.engine("--engine", "inline4", "--cylinders", "4", "--rpm", "700"),
                         {"cylinders": 4, "strokes": 4, "positions": 4})


program.main()
