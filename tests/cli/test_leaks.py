"""Every command gives back what it took: under the address sanitizer by itself, else under valgrind.

A command that the program has and that is not called here fails the test.
"""
import os
import re
import shutil
import signal
import subprocess
import sys
import unittest

import program
from program import PATIENCE_S, PROGRAM, SANITIZED, SOURCE, Case, tone

sys.path.insert(0, os.fspath(SOURCE / "tools"))
from sound_server import SoundServer  # noqa: E402

LEAKS = 99
# Leaks only: what libraries do with bytes of vectors that they loaded too many of is theirs.
VALGRIND = ("valgrind", "--quiet", "--fair-sched=try", "--leak-check=full", "--undef-value-errors=no",
            f"--suppressions={SOURCE / 'tests' / 'sanitizers' / 'valgrind.txt'}",
            "--errors-for-leak-kinds=definite,indirect", f"--error-exitcode={LEAKS}")
FOUR = ("--cylinders", "4")


@unittest.skipUnless(SANITIZED or shutil.which("valgrind"), "there is no valgrind")
class Leaks(Case):
    def setUp(self):
        super().setUp()
        self.called = set()

    def sample(self, name, seconds, start=0):
        path = self.folder / f"{name}-{start}-{seconds}.wav"
        subprocess.run(["sox", SOURCE / "samples" / f"{name}.flac", path, "trim", str(start), str(seconds)],
                       check=True)
        return os.fspath(path)

    def call(self, *arguments, statuses=(0,), stop_after=None, env=None):
        """One run; `stop_after`: a line of its output after which it is interrupted."""
        prefix = () if SANITIZED else VALGRIND
        process = subprocess.Popen([*prefix, PROGRAM, *arguments], stdin=subprocess.DEVNULL, stdout=subprocess.PIPE,
                                   stderr=subprocess.PIPE, env={**os.environ, **(env or {})})
        if stop_after:
            for line in process.stdout:
                if stop_after in line:
                    break
            process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=PATIENCE_S)
        self.assertIn(process.returncode, statuses, (arguments, out[-500:], err[-3000:]))
        self.called.add(arguments[0] if arguments[0] != "job" else " ".join(arguments[:2]))

    def names(self, *command):
        text = subprocess.run([PROGRAM, *command, "--help"], capture_output=True, text=True, check=True).stdout
        listed = re.search(r"\nSubcommands:\n(.*?)\n\n", text, re.S).group(1)
        return {" ".join((*command, line.split()[0])) for line in listed.splitlines() if re.match(r"  \S", line)}

    def test_every_command(self):
        van, other = self.sample("van-before", 8), self.sample("van-after", 8)
        noise = tone(self.folder / "tone.wav", 4.0)
        job = os.fspath(self.folder / "job")

        def out(name):
            return os.fspath(self.folder / name)
        self.call("job", "new", job, "--vehicle", "bakery van", "--engine", "inline4")
        self.call("check", *FOUR, van, noise, "--report", out("r.html"), statuses=(0, 1, 2, 3))
        self.call("check", "--job", job, van, "--report", out("r.html"), "--marked", out("m.wav"), "--events",
                  out("e.csv"), statuses=(0, 1, 3))
        self.call("check", *FOUR, out("none.wav"), statuses=(2,))
        self.call("compare", *FOUR, van, other, statuses=(0, 1, 3))
        self.call("locate", *FOUR, self.sample("van-droptest", 12), "--off", "1@8", statuses=(0, 1, 3))
        self.call("droptest", *FOUR, self.sample("van-droptest", 16), "--marks", "8:1,12:on", statuses=(0, 1, 2, 3))
        self.call("clicks", f"1={noise}", "--rpm", "700", statuses=(0, 1, 3))
        self.call("engines")
        self.call("job", "read", job, "--code", "P0303", "--note", "wet day")
        self.call("job", "read", job, "--drop", "40 ohm", statuses=(2,))
        self.call("job", "next", job, statuses=(0, 3))
        self.call("job", "show", job)
        self.call("job", "sheet", job, "-o", out("sheet.html"))
        self.call("job", "table")
        self.call("job", "gap", "8mm")
        page = PROGRAM.parent / "pipebeat.html"
        if page.exists():
            self.call("page", "--serve", "--port", "0", stop_after=b"127.0.0.1")
        else:
            self.call("page", "-o", out("page.html"), statuses=(2,))
        with SoundServer() as server:
            self.call("devices", env=server.env)
            # 2: valgrind lets one thread run at a time, and a busy machine may then lose the device.
            self.call("listen", *FOUR, "--seconds", "3", "--save", out("take.wav"), env=server.env, statuses=(0, 1, 2, 3))
        self.assertEqual(self.called | {"job"}, self.names() | self.names("job"))


program.main()
