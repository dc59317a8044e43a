"""Every call to the operating system fails in turn: the old file survives, or the new one is whole.

Usage: test_faults.py PROGRAM SOURCE_FOLDER SHIM TAKE_WRITER
"""
import errno
import json
import os
import pathlib
import shutil
import struct
import subprocess
import sys

import program
from program import PATIENCE_S, PROGRAM, Case, tone

SHIM, TAKE_WRITER = (pathlib.Path(p).resolve() for p in sys.argv[3:5])
CALLS = ("open", "mkostemp", "write", "pwrite", "fsync", "ftruncate", "fchmod", "close", "rename", "link",
         "mkdir")
MOST = 60


class Faults(Case):
    def run_with(self, fault, *arguments):
        """Runs under one fault. Returns exit status, standard error, whether the fault happened."""
        told = pathlib.Path(f"{self.folder}.told")
        told.unlink(missing_ok=True)
        done = subprocess.run(arguments, capture_output=True, timeout=PATIENCE_S, check=False, env={
            **os.environ, "LD_PRELOAD": SHIM, "FAULT": fault, "FAULT_FOLDER": self.folder,
            "FAULT_TOLD": told})
        happened = told.exists()
        told.unlink(missing_ok=True)
        self.output = done.stdout.decode()
        return done.returncode, done.stderr.decode(errors="replace"), happened

    def each_fault(self, prepare, arguments, judge):
        """Lets every call fail once, with a full disk, an input/output error, a signal, half a write."""
        faults = 0
        for call in CALLS:
            kinds = [errno.ENOSPC if call in ("write", "pwrite", "mkostemp") else errno.EIO]
            if call in ("write", "pwrite"):
                kinds += [errno.EINTR, "short"]
            for kind in kinds:
                for number in range(1, MOST):
                    shutil.rmtree(self.folder)
                    self.folder.mkdir()
                    prepare()
                    fault = f"{call}:{number}:{kind}"
                    status, err, happened = self.run_with(fault, *arguments)
                    with self.subTest(fault=fault):
                        judge(status, err, happened, kind in (errno.EINTR, "short"))
                    if not happened:
                        break
                    faults += 1
                else:
                    self.fail(f"{call} was called {MOST} times and more")
        return faults

    def leftovers(self, *known):
        return {os.fspath(p.relative_to(self.folder)) for p in self.folder.rglob("*") if p.is_file()} - set(known)

    def test_report_events_and_marked_copy(self):
        sound = pathlib.Path(tone(self.folder / "a.wav", 2.0)).read_bytes()
        written = (self.folder / "a.wav").stat()
        names = ("r.html", "e.csv", "m.wav")
        arguments = [PROGRAM, "check", "--cylinders", "4"]
        for option, name in zip(("--report", "--events", "--marked"), names):
            arguments += [option, self.folder / name]
        arguments.append(self.folder / "a.wav")
        self.run_with("none:0:0", *arguments)
        new = {name: (self.folder / name).read_bytes() for name in names}
        old = {"r.html": b"older report", "e.csv": b"older,lines\n", "m.wav": new["m.wav"][:200]}

        def prepare():
            (self.folder / "a.wav").write_bytes(sound)
            # A report says when its recording was last written, to the minute.
            os.utime(self.folder / "a.wav", ns=(written.st_atime_ns, written.st_mtime_ns))
            for name in names:
                (self.folder / name).write_bytes(old[name])

        def judge(status, err, happened, harmless):
            now = {name: (self.folder / name).read_bytes() for name in names}
            for name in names:
                self.assertIn(now[name], (old[name], new[name]))
            self.assertEqual(self.leftovers("a.wav", *names), set())
            self.assertEqual((self.folder / "a.wav").read_bytes(), sound)
            if not happened or harmless:
                self.assertEqual((status, now), (3, new), err)
            elif now != new:
                self.assertEqual(status, 2)
                self.assertIn("; ", err)
        faults = self.each_fault(prepare, arguments, judge)
        print(f"report, events, marked copy: {faults} faults")
        self.assertGreater(faults, 15)

    def job(self, *arguments, fault="none:0:0"):
        return self.run_with(fault, PROGRAM, "job", *arguments)

    def make_job(self):
        self.job("new", self.folder / "van", "--vehicle", "bakery van", "--engine", "inline4")
        self.job("read", self.folder / "van", "--note", "wet day")
        return (self.folder / "van" / "job.json").read_bytes()

    def test_a_new_job(self):
        def judge(status, err, happened, harmless):
            path = self.folder / "van" / "job.json"
            if path.exists():
                self.assertEqual(json.loads(path.read_bytes())["vehicle"], "bakery van")
                self.assertEqual(status, 0, err)
            else:
                self.assertEqual((status, err.count("\n")), (2, 1))
            if not happened or harmless:
                self.assertEqual(status, 0, err)
            self.assertEqual(self.leftovers("van/job.json"), set())
        faults = self.each_fault(lambda: None, [PROGRAM, "job", "new", self.folder / "van", "--vehicle",
                                                "bakery van", "--engine", "inline4"], judge)
        print(f"a new job: {faults} faults")
        self.assertGreater(faults, 5)

    def test_an_entry_in_a_job(self):
        old = self.make_job()

        def prepare():
            (self.folder / "van").mkdir()
            (self.folder / "van" / "job.json").write_bytes(old)

        def judge(status, err, happened, harmless):
            now = (self.folder / "van" / "job.json").read_bytes()
            if now != old:
                entries = json.loads(now)["entries"]
                self.assertEqual([e["text"] for e in entries], ["wet day", "new lead"])
            self.assertEqual(status, 2 if now == old else 0, err)
            if not happened or harmless:
                self.assertEqual(status, 0, err)
            self.assertEqual(self.leftovers("van/job.json"), set())
        faults = self.each_fault(prepare, [PROGRAM, "job", "read", self.folder / "van", "--note", "new lead"], judge)
        print(f"an entry: {faults} faults")
        self.assertGreater(faults, 5)

    def test_a_recording_kept_in_a_job(self):
        old = self.make_job()
        sound = pathlib.Path(tone(self.folder / "a.wav", 2.0)).read_bytes()

        def prepare():
            (self.folder / "van").mkdir()
            (self.folder / "van" / "job.json").write_bytes(old)
            (self.folder / "a.wav").write_bytes(sound)

        def judge(status, err, happened, harmless):
            entries = json.loads((self.folder / "van" / "job.json").read_bytes())["entries"]
            self.assertIn(len(entries), (1, 2))
            # Where its name can't be looked up, the copy gets another one; a copy is whole anyway.
            kept = {f"van/recordings/{name}" for name in ("a.wav", "a-2.wav")} & self.leftovers()
            for name in kept:
                self.assertEqual((self.folder / name).read_bytes(), sound)
            if len(entries) == 2 and entries[1]["recordings"][0].startswith("recordings/"):
                self.assertTrue((self.folder / "van" / entries[1]["recordings"][0]).exists())
            if len(entries) == 1:
                self.assertEqual(status, 2, err)
            if not happened or harmless:
                self.assertEqual((status, len(entries)), (3, 2), err)
            self.assertEqual(self.leftovers("van/job.json", "a.wav", *kept), set())
        faults = self.each_fault(prepare, [PROGRAM, "check", "--job", self.folder / "van",
                                           self.folder / "a.wav"], judge)
        print(f"a recording in a job: {faults} faults")
        self.assertGreater(faults, 10)

    def test_a_sheet(self):
        old = self.make_job()

        def prepare():
            (self.folder / "van").mkdir()
            (self.folder / "van" / "job.json").write_bytes(old)
            (self.folder / "s.html").write_bytes(b"older sheet")

        def judge(status, err, happened, harmless):
            sheet = (self.folder / "s.html").read_bytes()
            if sheet != b"older sheet":
                self.assertTrue(sheet.startswith(b"<!DOCTYPE html>") and sheet.rstrip().endswith(b"</html>"))
            self.assertEqual(status, 2 if sheet == b"older sheet" else 0, err)
            if not happened or harmless:
                self.assertEqual(status, 0, err)
            self.assertEqual((self.folder / "van" / "job.json").read_bytes(), old)
            self.assertEqual(self.leftovers("van/job.json", "s.html"), set())
        faults = self.each_fault(prepare, [PROGRAM, "job", "sheet", self.folder / "van", "-o",
                                           self.folder / "s.html"], judge)
        print(f"a sheet: {faults} faults")
        self.assertGreater(faults, 5)

    def test_a_take(self):
        take = self.folder / "take.wav"

        def judge(status, err, happened, harmless):
            taken = int(self.output)
            if not take.exists():
                self.assertEqual((status, taken), (1, 0))
                return
            data = take.read_bytes()
            at = data.find(b"data")
            promised = struct.unpack("<I", data[at + 4:at + 8])[0] // 4
            self.assertGreaterEqual(promised, taken)
            self.assertGreaterEqual(len(data), at + 8 + 4 * promised)
            sound = struct.unpack(f"<{promised}f", data[at + 8:at + 8 + 4 * promised])
            for i, sample in enumerate(sound):
                self.assertAlmostEqual(sample, i / 6000.0, places=6)
            if not happened or harmless:
                self.assertEqual((status, taken, promised), (0, 6000, 6000))
        faults = self.each_fault(lambda: None, [TAKE_WRITER, take], judge)
        print(f"a take: {faults} faults")
        self.assertGreater(faults, 30)


program.main()
