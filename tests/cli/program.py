"""Runs pipebeat from outside; sounds made on the spot. Each test file: PROGRAM SOURCE_FOLDER."""
import ast
import collections
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
SANITIZED = any(name in PROGRAM.read_bytes() for name in (b"__asan_init", b"__tsan_init"))
# Only for what hangs: a busy machine takes its time, and a sanitizer fifteen times that.
PATIENCE_S = 900 if SANITIZED else 120


def run(*arguments, stdin=b"", env=None):
    """Standard output as text, standard error as text, exit status."""
    done = subprocess.run([PROGRAM, *arguments], input=stdin, capture_output=True, timeout=PATIENCE_S,
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


def main(*names):
    """Runs the tests of the file that was started, or those of these names."""
    # A second class or test of the same name would silently take the place of the first.
    tree = ast.parse(pathlib.Path(sys.argv[0]).read_text(encoding="utf-8"))
    for part in (tree, *(n for n in tree.body if isinstance(n, ast.ClassDef))):
        count = collections.Counter(n.name for n in part.body if isinstance(n, (ast.ClassDef, ast.FunctionDef)))
        if twice := [name for name, times in count.items() if times > 1]:
            sys.exit(f"{sys.argv[0]}: twice the same name, so some tests would not run: {twice}")
    unittest.main(argv=[sys.argv[0], *names], verbosity=1)
