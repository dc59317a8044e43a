"""Runs pipebeat from outside; sounds made on the spot. Each test file: PROGRAM SOURCE_FOLDER."""
import json
import math
import os
import pathlib
import struct
import subprocess
import sys
import tempfile
import unittest
import wave

PROGRAM = pathlib.Path(sys.argv[1]).resolve()
SOURCE = pathlib.Path(sys.argv[2]).resolve()


def run(*arguments, stdin=b"", env=None):
    """Standard output as text, standard error as text, exit status; 60 s at most."""
    done = subprocess.run([PROGRAM, *arguments], input=stdin, capture_output=True, timeout=60,
                          env={**os.environ, **(env or {})}, check=False)
    return done.stdout.decode(errors="surrogateescape"), done.stderr.decode(), done.returncode


def tone(path, seconds=2.0, rate=8000, channels=1, hertz=440.0):
    """A sine in a 16-bit WAV: a sound, and no engine."""
    frames = bytearray()
    for i in range(int(seconds * rate)):
        value = int(9000 * math.sin(2 * math.pi * hertz * i / rate))
        frames += struct.pack("<h", value) * channels
    with wave.open(os.fspath(path), "wb") as file:
        file.setnchannels(channels)
        file.setsampwidth(2)
        file.setframerate(rate)
        file.writeframes(bytes(frames))
    return os.fspath(path)


class Case(unittest.TestCase):
    """A test with a folder of its own."""

    def setUp(self):
        holder = tempfile.TemporaryDirectory(prefix="pipebeat-cli-")
        self.addCleanup(holder.cleanup)
        self.folder = pathlib.Path(holder.name)

    def refused(self, *arguments, says=(), **more):
        """Exit status 2, nothing on stdout, one line on stderr that says what and what to do."""
        out, err, status = run(*arguments, **more)
        self.assertEqual(status, 2, (arguments, err))
        self.assertEqual(out, "", arguments)
        self.assertEqual(err.count("\n"), 1, (arguments, err))
        self.assertTrue(err.startswith("pipebeat: "), err)
        self.assertIn("; ", err)
        for part in says:
            self.assertIn(part, err)

    def findings(self, out):
        return [json.loads(line) for line in out.splitlines()]


def main():
    unittest.main(argv=[sys.argv[0]], verbosity=1)
