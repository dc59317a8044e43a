"""The job card from a new folder to the printed sheet, and every way of refusing."""
import html.parser
import json
import math
import os
import re
import shlex
import subprocess

import program
from program import PATIENCE_S, PROGRAM, SOURCE, Case, run, tone

NASTY = '</title><script>alert(1)</script><img src=x onerror="alert(2)"> & "van" \'x\' {{vehicle}} \x1b[31m'


class JobCase(Case):
    def setUp(self):
        super().setUp()
        self.job = str(self.folder / "van")
        self.done("new", self.job, "--vehicle", "bakery van", "--engine", "inline4", "--ignition",
                  "leads")

    def done(self, *arguments):
        out, err, status = run("job", *arguments)
        self.assertEqual(status, 0, (arguments, err))
        return out

    def next(self, *arguments):
        return json.loads(self.done("next", self.job, "--json", *arguments))

    def entries(self):
        with open(os.path.join(self.job, "job.json"), encoding="utf-8") as file:
            return json.load(file)["entries"]


class Contract(JobCase):
    def check(self, said):
        self.assertEqual(said["schema"], "pipebeat.next/1")
        self.assertAlmostEqual(sum(c["probability"] for c in said["causes"]), 1.0, places=4)
        for cause in said["causes"]:
            self.assertLessEqual({"cause", "cylinder", "probability", "for", "against"}, set(cause))
            self.assertIn(cause["cylinder"], (None, 1, 2, 3, 4))
        ranks = [c["probability"] for c in said["causes"]]
        self.assertEqual(ranks, sorted(ranks, reverse=True))
        for test in [said["next_test"], *said["other_tests"]]:
            self.assertLessEqual({"test", "minutes", "why", "how", "cautions"}, set(test))
            self.assertTrue(test["cautions"], test["test"])
            self.assertTrue(test["how"], test["test"])

    def test_next_keeps_its_schema_from_the_first_to_the_last_reading(self):
        self.check(self.next())
        for words in (("--code", "P0303"), ("--cylinder", "3", "--click", "yes"),
                      ("--cylinder", "3", "--spark-kv", "9kV", "--spark-colour", "yellow"),
                      ("--cylinder", "3", "--arcing", "yes"),
                      ("--swapped", "lead:3>4", "--followed", "yes")):
            self.done("read", self.job, *words)
            self.check(self.next())
        said = self.next()
        self.assertEqual((said["causes"][0]["cause"], said["causes"][0]["cylinder"]), ("lead", 3))
        self.assertTrue(said["settled"])
        self.assertEqual(said["next_test"]["test"], "repair_and_prove")

    def test_every_reading_of_the_help_is_taken(self):
        out = self.done("read", self.job, "--cylinder", "3", "--click", "no", "--signal", "flashing",
                        "--spark-kv", "30", "--spark-colour", "blue", "--compression", "92psi",
                        "--compression-wet", "120psi", "--leakdown", "35%", "--resistance",
                        "14.5ohm", "--swapped", "coil:3>4", "--drop", "40rpm", "--plug", "oily",
                        "--arcing", "no", "--lead-resistance", "9kohm", "--leak-heard", "oil-filler",
                        "--runner-hiss", "no", "--fuel-trim", "-12%", "--fuel-pressure", "right",
                        "--exhaust-leak", "no", "--always-so", "no", "--clears-with-revs", "no",
                        "--comes-with-load", "yes", "--code", "P0303", "--code", "P0300")
        self.assertEqual(len(out.splitlines()), 23)
        self.assertEqual(len(self.entries()), 23)
        self.check(self.next())


class Hunt(JobCase):
    def test_the_van_from_the_first_recording_to_the_proof(self):
        before = str(SOURCE / "samples" / "van-before.flac")
        after = str(SOURCE / "samples" / "van-after.flac")
        out, err, status = run("check", "--job", self.job, before, before)
        self.assertEqual((status, err), (1, ""))
        self.assertEqual(out.count(f"Kept in the job. What it points to:\n    pipebeat job next {self.job}\n"), 1, out)
        self.assertEqual(len(run("check", "--job", self.job, "--json", before)[0].splitlines()), 1)
        self.done("read", self.job, "--withdraw", "2")
        self.done("read", self.job, "--withdraw", "3")
        self.done("read", self.job, "--cylinder", "3", "--drop", "0rpm", "--arcing", "yes",
                  "--lead-resistance", "5megohm", "--date", "2026-11-24T09:30")
        self.assertEqual(self.next()["causes"][0]["cause"], "lead")
        self.done("read", self.job, "--cylinder", "3", "--done", "new plug lead")
        _, err, status = run("check", "--job", self.job, after)
        self.assertEqual((status, err), (0, ""))
        said = self.next()
        self.assertEqual(said["causes"][0]["cause"], "no_fault")
        self.assertEqual((said["next_test"]["test"], said["other_tests"]), ("nothing_to_repair", []))
        text = self.done("next", self.job)
        self.assertIn("Next: nothing to repair.", text)
        self.assertNotIn("Other tests worth doing", text)
        self.assertNotIn("nothing is touched", text)  # what needs no caution has no heading for one
        shown = self.done("show", self.job)
        self.assertNotIn("Cylinder at fault", shown)  # none is: the repair is proved
        for part in ("bakery van", "new plug lead", "2026-11-24 09:30", "a cylinder is dead", "no miss, it runs evenly"):
            self.assertIn(part, shown)
        self.assertTrue(os.path.exists(os.path.join(self.job, "recordings", "van-before.flac")))
        sheet = str(self.folder / "sheet.html")
        self.done("sheet", self.job, "-o", sheet)
        with open(sheet, encoding="utf-8") as file:
            text = file.read()
        self.assertEqual(text.count("<svg"), 4)
        self.assertNotIn("nothing is touched", text)
        for part in ("Plug lead, boot or cap, cylinder 3", "Before and after", "a cylinder is dead",
                     "No miss is heard after the work", "Caution when recording", "Job begun"):
            self.assertIn(part, text)

    def test_a_repair_that_left_a_weak_cylinder_is_not_called_proved(self):
        self.done("read", self.job, "--done", "new plug lead")
        path = os.path.join(self.job, "job.json")
        run("check", "--job", self.job, str(SOURCE / "samples" / "van-before.flac"))
        run("check", "--job", self.job, str(SOURCE / "samples" / "van-after.flac"))
        with open(path, encoding="utf-8") as file:
            card = json.load(file)
        work, before, after = card["entries"]
        before["id"], work["id"], card["entries"] = 1, 2, [before, work, after]
        after["finding"]["verdict"] = "weak_cylinder"
        with open(path, "w", encoding="utf-8") as file:
            json.dump(card, file)
        self.assertIn("No miss is heard after the work, but a cylinder is weak", self.done("sheet", self.job, "-o", "-"))

    def test_corrections_keep_the_history(self):
        self.done("read", self.job, "--cylinder", "2", "--click", "no")
        self.done("read", self.job, "--cylinder", "2", "--click", "yes", "--correct", "1")
        self.done("read", self.job, "--cylinder", "1", "--click", "no")
        self.done("read", self.job, "--withdraw", "3", "--note", "that was the neighbour")
        self.assertEqual([e["id"] for e in self.entries()], [1, 2, 3, 4])
        shown = self.done("show", self.job)
        self.assertEqual(shown.count("[no longer holds]"), 2)
        self.assertIn("corrects entry 1", shown)
        self.refused("job", "read", self.job, "--withdraw", "3", says=["no entry 3"])
        self.assertTrue(self.done("read", self.job, "--withdraw", "2").endswith("entry 2 withdrawn\n"))
        self.refused("job", "read", self.job, "--cylinder", "1", "--click", "no", "--correct", "77",
                     says=["77"])

    def test_contradictions_are_pointed_out(self):
        self.done("read", self.job, "--cylinder", "2", "--click", "yes", "--signal", "none")
        said = self.next()
        self.assertTrue(any("clicks" in c for c in said["contradictions"]), said["contradictions"])
        self.assertIn("don't go together", self.done("next", self.job))

    def test_what_a_test_settles_is_a_share_of_what_is_open(self):
        text = " ".join(self.done("next", self.job).split())
        shares = [int(s) for s in re.findall(r"settles? ([0-9]+) %", text)]
        self.assertGreater(len(shares), 2, text)
        self.assertTrue(all(0 <= s <= 100 for s in shares), shares)
        bits = self.next()["next_test"]["bits"]
        causes = [c["probability"] for c in self.next()["causes"] if c["probability"] > 0]
        self.assertAlmostEqual(shares[0], 100 * bits / -sum(p * math.log2(p) for p in causes), delta=0.6)

    def test_the_commands_of_a_folder_with_blanks_can_be_copied(self):
        folder = str(self.folder / "the baker's van")
        made = self.done("new", folder, "--vehicle", "van", "--engine", "inline4")
        for text in (made, self.done("next", folder)):
            command = re.search(r"pipebeat (?:job read|check --job) .*", text)[0]
            self.assertIn(folder, shlex.split(command))

    def test_a_swap_half_told_is_asked_for_in_this_folder(self):
        self.done("read", self.job, "--cylinder", "3", "--swapped", "coil:3>4")
        self.assertIn(f"job read {self.job} --swapped", " ".join(self.done("next", self.job).split()))

    def test_tools_narrow_the_tests(self):
        said = self.next("--tools", "stethoscope,ohmmeter")
        names = {t["test"] for t in [said["next_test"], *said["other_tests"]]}
        self.assertIn("injector_click", names)
        self.assertNotIn("read_codes", names)
        self.refused("job", "next", self.job, "--tools", "hammer", says=["hammer", "stethoscope"])


class Refusals(JobCase):
    def test_arguments(self):
        refused = self.refused
        refused("job", says=["--help"])
        refused("job", "new", self.job, "--vehicle", "x", "--cylinders", "4", says=["already"])
        other = str(self.folder / "other")
        refused("job", "new", other, "--vehicle", "x", says=["number of cylinders"])
        refused("job", "new", other, "--vehicle", "", "--cylinders", "4", says=["--vehicle is empty"])
        refused("job", "new", "", "--vehicle", "x", "--cylinders", "4", says=["DIR is empty"])
        refused("job", "new", other, "--vehicle", "x", "--cylinders", "4", "--fuel", "steam")
        refused("job", "new", other, "--vehicle", "x", "--cylinders", "4", "--fuel", "diesel",
                "--injection", "port", says=["diesel"])
        refused("job", "new", other, "--vehicle", "x", "--cylinders", "4", "--fuel", "diesel",
                "--ignition", "leads", says=["no spark"])
        refused("job", "new", other, "--vehicle", "x", "--cylinders", "4", "--rows", "1-2-5")
        self.assertFalse(os.path.exists(other))
        refused("job", "read", self.job, says=["nothing to write down"])
        refused("job", "read", self.job, "--click", "no", says=["no cylinder is named", "--cylinder"])
        for text in ("1e9psi", "-3bar", "nanbar", "92", "92 parsec", "$(reboot)", "\n", "9" * 400):
            refused("job", "read", self.job, "--cylinder", "1", f"--compression={text}",
                    says=["compression"])
        refused("job", "read", self.job, "--swapped", "coil:3>3")
        refused("job", "read", self.job, "--followed", "yes", says=["--swapped"])
        for date in ("yesterday", "2026-02-29", "2026-13-01", "2026-00-10", "2026-11-24T24:00", "2026-11-24T09:60", "24.11.2026"):
            refused("job", "read", self.job, "--note", "x", "--date", date, says=["--date", "not a date"])
        refused("job", "next", str(self.folder), says=["no job in it", "job new"])
        refused("job", "next", os.path.join(self.job, "job.json"), says=["it is a file", "name the folder"])
        refused("job", "next", self.job, "--table", "none.json", says=["none.json"])
        refused("job", "sheet", self.job, "-o", str(self.folder / "no" / "s.html"), says=["s.html"])
        refused("job", "gap", "8", says=["8mm"])
        refused("job", "read", self.job, "--cylinder", "1", "--compression", "12,5 bar", says=["no comma", "with a point"])
        refused("job", "gap", "-8mm")
        refused("check", "--job", str(self.folder), tone(self.folder / "a.wav"), says=["no job"])
        refused("check", "--job", self.job, "--cylinders", "6", tone(self.folder / "a.wav"),
                says=["4 cylinders"])
        self.assertEqual(self.entries(), [])

    def test_a_refused_reading_leaves_nothing_behind(self):
        self.refused("job", "read", self.job, "--cylinder", "3", "--click", "no", "--signal", "red")
        self.assertEqual(self.entries(), [])

    def test_a_diesel_has_no_spark(self):
        diesel = str(self.folder / "tractor")
        self.done("new", diesel, "--vehicle", "tractor", "--engine", "diesel4", "--fuel", "diesel")
        for words in (("--spark-kv", "20"), ("--plug", "wet"), ("--signal", "none"),
                      ("--swapped", "coil:1>2")):
            self.refused("job", "read", diesel, "--cylinder", "1", *words)
        _, err, status = run("job", "read", diesel, "--cylinder", "1", "--compression", "400psi")
        self.assertEqual((status, err), (0, ""))

    def test_an_unusual_value_is_kept_with_a_warning(self):
        _, err, status = run("job", "read", self.job, "--cylinder", "1", "--compression", "20psi")
        self.assertEqual(status, 0)
        self.assertIn("warning", err)
        self.assertEqual(len(self.entries()), 1)

    def test_damage_is_named_and_left_alone(self):
        path = os.path.join(self.job, "job.json")
        with open(path, encoding="utf-8") as file:
            good = file.read()
        damaged = good.replace('"strokes": 4,', '"strokes": 4,,')
        with open(path, "w", encoding="utf-8") as file:
            file.write(damaged)
        line = damaged[:damaged.index(",,")].count("\n") + 1
        for words in (("next", self.job), ("show", self.job), ("read", self.job, "--note", "x"),
                      ("sheet", self.job, "-o", str(self.folder / "s.html"))):
            self.refused("job", *words, says=[f"job.json:{line}:"])
        self.refused("check", "--job", self.job, tone(self.folder / "a.wav"), says=["job.json:"])
        with open(path, encoding="utf-8") as file:
            self.assertEqual(file.read(), damaged)

    def test_a_folder_that_may_not_be_written(self):
        if os.geteuid() == 0:
            self.skipTest("root may write everywhere")
        os.chmod(self.job, 0o500)
        self.addCleanup(os.chmod, self.job, 0o700)
        self.refused("job", "read", self.job, "--note", "x", says=["job.json"])


class Table(JobCase):
    def test_an_edited_table_is_used_and_a_damaged_one_named(self):
        self.done("table", self.job)
        path = os.path.join(self.job, "likelihoods.json")
        with open(path, encoding="utf-8") as file:
            text = file.read()
        before = self.next()["causes"]
        edited = text.replace('"words": "ignition coil", "where": "cylinder", "prior": {"petrol": 13',
                              '"words": "ignition coil", "where": "cylinder", "prior": {"petrol": 500')
        self.assertNotEqual(edited, text)
        with open(path, "w", encoding="utf-8") as file:
            file.write(edited)
        self.assertEqual(self.next()["causes"][0]["cause"], "coil")
        self.assertNotEqual(before[0]["cause"], "coil")
        self.refused("job", "table", self.job, says=["there already"])
        with open(path, "w", encoding="utf-8") as file:
            file.write(text.replace("[0.94, 0.04, 0.02]", "[0.94, 0.04, 0.92]"))
        self.refused("job", "next", self.job, says=["likelihoods.json:", "add up to"])


class Rivals(JobCase):
    def test_two_processes_lose_nothing(self):
        writers = [subprocess.Popen(
            ["sh", "-c", 'for i in 1 2 3 4 5 6 7 8 9 10; do "$0" job read "$1" --note "$2$i" || exit 1; done',
             PROGRAM, self.job, name], stdout=subprocess.DEVNULL) for name in "ab"]
        for writer in writers:
            self.assertEqual(writer.wait(timeout=PATIENCE_S), 0)
        notes = [e["text"] for e in self.entries()]
        self.assertEqual(sorted(notes), sorted(f"{n}{i}" for n in "ab" for i in range(1, 11)))
        self.assertEqual([e["id"] for e in self.entries()], list(range(1, 21)))


class Sheet(JobCase):
    def test_owner_text_stays_text(self):
        job = str(self.folder / "nasty")
        self.done("new", job, "--vehicle", NASTY, "--cylinders", "4")
        self.done("read", job, "--note", NASTY, "--done", NASTY)
        text = self.done("sheet", job, "-o", "-")
        tags = []

        class Reader(html.parser.HTMLParser):
            def handle_starttag(self, tag, attrs):
                tags.append((tag, dict(attrs)))

        Reader().feed(text)
        names = {tag for tag, _ in tags}
        self.assertFalse(names & {"script", "img", "link", "iframe", "object", "form", "a"}, names)
        for _, attributes in tags:
            for name, value in attributes.items():
                self.assertFalse(name.startswith("on"), (name, value))
                self.assertNotIn(name, ("src", "href"))
        self.assertNotIn("\x1b", text)
        self.assertIn("{{vehicle}}", text)
        policy = next(a["content"] for t, a in tags if a.get("http-equiv"))
        self.assertIn("default-src 'none'", policy)
        self.assertNotIn("script", policy)
        self.assertNotIn("\x1b", self.done("show", job))

    def test_it_prints_on_any_paper(self):
        text = self.done("sheet", self.job, "-o", "-")
        self.assertIn("@page{margin", text)
        self.assertNotIn("size:A4", text.replace(" ", ""))


class Gap(Case):
    def test_a_gap_in_kilovolts_with_its_caution(self):
        self.assertEqual(run("job", "gap", "8 mm")[0], run("job", "gap", "8mm")[0])
        out, err, status = run("job", "gap", "8mm")
        self.assertEqual((status, err), (0, ""))
        self.assertIn("25.8 kV", out)
        self.assertIn("Caution", out)
        self.assertIn("wide", run("job", "gap", "20mm", "--points")[0])


class Help(Case):
    def test_each_part_has_its_help_with_an_example(self):
        for part in ("new", "read", "next", "show", "sheet", "table", "gap"):
            out, err, status = run("job", part, "--help")
            self.assertEqual((status, err), (0, ""))
            self.assertIn(f"Example: pipebeat job {part}", out)


program.main()
