"""What recordings are taken, under which names, and every way of refusing one."""
import os
import pathlib
import shutil
import subprocess
import threading
import unittest

import program
from program import PATIENCE_S, PROGRAM, Case, run, tone

FOUR = ("check", "--cylinders", "4", "--json")


class Names(Case):
    def test_any_name(self):
        for name in ("two words.wav", "two\nlines.wav", "Bäckerei.wav", "no_extension", "it's $(x).wav",
                     '"quoted".wav', "x.mp3"):
            path = tone(self.folder / name)
            out, err, status = run(*FOUR, path)
            self.assertEqual((status, err), (3, ""), name)
            self.assertEqual(self.findings(out)[0]["file"], path)

    def test_a_name_that_is_no_utf8(self):
        path = os.fsencode(self.folder) + b"/\xff\xfe.wav"
        shutil.copy(tone(self.folder / "a.wav"), path)
        out, err, status = run(*FOUR, path)
        self.assertEqual((status, err), (3, ""))
        self.assertTrue(self.findings(out)[0]["file"].endswith("\ufffd\ufffd.wav"))

    def test_a_leading_dash(self):
        tone(self.folder / "-v.wav")
        done = subprocess.run([PROGRAM, *FOUR, "--", "-v.wav"], cwd=self.folder, timeout=PATIENCE_S,
                              capture_output=True, check=False)
        self.assertEqual((done.returncode, done.stderr), (3, b""))

    def test_an_error_stays_on_one_line_whatever_the_name(self):
        self.refused(*FOUR, "no such\nfile\x1b[31m.wav", says=["no such?file?[31m.wav"])


class SeveralAtOnce(Case):
    def test_the_order_of_the_command_line_however_many_at_a_time(self):
        names = [tone(self.folder / f"{i}.wav", seconds=2.0 + 2.0 * (i % 3)) for i in range(7)]
        names.insert(3, "nothing.wav")
        one = run(*FOUR, "--jobs", "1", *names)
        self.assertEqual([f["file"] for f in self.findings(one[0])], names[:3] + names[4:])
        self.assertEqual(one[2], 2)
        for jobs in ("2", "3", "50"):
            self.assertEqual(run(*FOUR, "--jobs", jobs, *names), one, jobs)
        self.assertEqual(run(*FOUR, *names), one)

    def test_nobody_would_listen(self):
        for jobs in ("0", "-1"):
            self.refused(*FOUR, "--jobs", jobs, "a.wav", says=[f"--jobs {jobs}", "1 or more"])


class Pipes(Case):
    def test_standard_input(self):
        sound = pathlib.Path(tone(self.folder / "a.wav")).read_bytes()
        out, err, status = run(*FOUR, "-", stdin=sound)
        self.assertEqual((status, err), (3, ""))
        finding = self.findings(out)[0]
        self.assertEqual(finding["file"], "-")
        self.assertEqual(finding["duration_s"], 2.0)

    def test_standard_input_from_a_file(self):
        with open(tone(self.folder / "a.wav"), "rb") as file:
            done = subprocess.run([PROGRAM, *FOUR, "-"], stdin=file, capture_output=True,
                                  timeout=PATIENCE_S, check=False)
        self.assertEqual((done.returncode, done.stderr), (3, b""))

    def test_empty_standard_input(self):
        self.refused(*FOUR, "-", says=["standard input", "empty"])

    def test_closed_standard_input(self):
        done = subprocess.run(["/bin/sh", "-c", f'"{PROGRAM}" check --cylinders 4 - <&-'],
                              capture_output=True, timeout=PATIENCE_S, check=False)
        self.assertEqual(done.returncode, 2)
        self.assertIn(b"standard input", done.stderr)

    def test_a_fifo(self):
        fifo = self.folder / "fifo"
        os.mkfifo(fifo)
        sound = pathlib.Path(tone(self.folder / "a.wav")).read_bytes()
        writer = threading.Thread(target=lambda: fifo.write_bytes(sound))
        writer.start()
        out, err, status = run(*FOUR, os.fspath(fifo))
        writer.join()
        self.assertEqual((status, err), (3, ""))
        self.assertEqual(self.findings(out)[0]["duration_s"], 2.0)


class Hostile(Case):
    def put(self, name, data):
        path = self.folder / name
        path.write_bytes(data)
        return os.fspath(path)

    def test_what_is_no_recording(self):
        wav = pathlib.Path(tone(self.folder / "a.wav")).read_bytes()
        for path, says in (
                (os.fspath(self.folder / "none.wav"), "no such file"),
                (os.fspath(self.folder), "folder"),
                (self.put("empty.wav", b""), "empty"),
                (self.put("text.wav", b"Dear mechanic,\nhere is the recording.\n"),
                 "not a recording"),
                (self.put("header.wav", wav[:44]), "no sound"),
                (self.put("half-header.wav", wav[:20]), "not a recording"),
                (self.put("zeros.wav", bytes(5000)), "not a recording"),
                (self.put("no-rate.wav", wav[:24] + bytes(4) + wav[28:]), "not a recording"),
                (self.put("no-channels.wav", wav[:22] + bytes(2) + wav[24:]), "not a recording"),
                (os.fspath(self.folder / "a.wav" / "b.wav"), "no such file")):
            self.refused(*FOUR, path, says=[path, says])

    def test_a_rate_no_listener_takes(self):
        self.refused(*FOUR, tone(self.folder / "slow.wav", rate=1000), says=["slow.wav", "rate"])

    def test_a_truncated_recording_is_judged_as_far_as_it_goes(self):
        wav = pathlib.Path(tone(self.folder / "a.wav")).read_bytes()
        out, err, status = run(*FOUR, self.put("half.wav", wav[:16044]))
        self.assertEqual(status, 3)
        self.assertIn("half.wav: damaged after 1.0 s; judged what comes before", err)
        self.assertEqual(self.findings(out)[0]["duration_s"], 1.0)

    @unittest.skipIf(shutil.which("ffmpeg") is None, "no ffmpeg to make a damaged file with")
    def test_a_damaged_recording_is_judged_with_a_warning(self):
        subprocess.run(["ffmpeg", "-nostdin", "-v", "error", "-i", tone(self.folder / "a.wav", 20.0),
                        self.folder / "a.flac"], check=True)
        flac = (self.folder / "a.flac").read_bytes()
        out, err, status = run(*FOUR, self.put("half.flac", flac[:len(flac) // 2]))
        self.assertEqual(status, 3)
        self.assertIn("half.flac: damaged after", err)
        self.assertEqual(err.count("\n"), 1)
        self.assertLess(self.findings(out)[0]["duration_s"], 20.0)

    @unittest.skipIf(os.geteuid() == 0, "root may read everything")
    def test_no_permission(self):
        path = tone(self.folder / "locked.wav")
        os.chmod(path, 0)
        self.refused(*FOUR, path, says=["no permission"])

    @unittest.skipIf(shutil.which("setpriv") is None or os.geteuid() != 0, "needs root and setpriv")
    def test_no_permission_as_another_user(self):
        path = tone(self.folder / "locked.wav")
        os.chmod(path, 0)
        os.chmod(self.folder, 0o755)
        shutil.copy(PROGRAM, self.folder / "pipebeat")
        nobody = ("setpriv", "--reuid=65534", "--clear-groups", self.folder / "pipebeat")
        if subprocess.run([*nobody, "--version"], capture_output=True, timeout=PATIENCE_S, check=False).returncode != 0:
            self.skipTest("nobody else may run programs in this folder")
        done = subprocess.run([*nobody, *FOUR, path], capture_output=True, timeout=PATIENCE_S, check=False)
        self.assertEqual(done.returncode, 2)
        self.assertIn(b"locked.wav: no permission", done.stderr)

    def test_a_phone_recording_without_ffmpeg(self):
        path = self.put("a.m4a", b"\0\0\0\x18ftypM4A \0\0\0\0")
        self.refused(*FOUR, path, env={"PATH": "/nonexistent"},
                     says=["a.m4a", "ffmpeg", "apt-get install ffmpeg"])


class Several(Case):
    def test_one_line_each_in_order(self):
        paths = [tone(self.folder / f"{n}.wav") for n in "abc"]
        out, err, status = run(*FOUR, *paths)
        self.assertEqual((status, err), (3, ""))
        self.assertEqual([f["file"] for f in self.findings(out)], paths)

    def test_goes_on_after_one_that_cannot_be_read(self):
        a, b = tone(self.folder / "a.wav"), tone(self.folder / "b.wav")
        out, err, status = run(*FOUR, a, "none.wav", b)
        self.assertEqual(status, 2)
        self.assertEqual([f["file"] for f in self.findings(out)], [a, b])
        self.assertEqual(err.count("\n"), 1)
        self.assertIn("none.wav", err)

    def test_text_of_several_is_parted(self):
        out, _, _ = run("check", "--cylinders", "4", tone(self.folder / "a.wav"),
                        tone(self.folder / "b.wav"))
        self.assertEqual(out.count("No answer: "), 2)
        self.assertIn("\n\nNo answer: ", out)


class Channels(Case):
    def test_more_channels_than_are_compared(self):
        path = tone(self.folder / "many.wav", seconds=0.2, channels=70)
        self.assertEqual(run(*FOUR, path)[2], 3)
        self.assertEqual(run(*FOUR, "--channel", "70", path)[2], 3)
        self.refused(*FOUR, "--channel", "71", path, says=["no channel 71", "70"])


program.main()
