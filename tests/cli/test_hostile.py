"""Whatever is fed to it: an answer or an error in one line, little memory, little time.

Usage: test_hostile.py PROGRAM SOURCE_FOLDER HOURS: how long the long silence is.

Every case ends with exit status 2 and one line that says what and what to do, or with 3 and a reason,
within 64 MiB and 2 s (a day of silence: 60 s). The sounds hold no engine, so no other status is right.
"""
import array
import os
import pathlib
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import threading
import time
import unittest

SILENT_HOURS = int(sys.argv[3])

import program  # noqa: E402
from program import PATIENCE_S, PROGRAM, SANITIZED, Case, tone  # noqa: E402

MOST_MIB = 64
MOST_S = 2.0
DAY_S = 60.0
HEARD = ("--cylinders", "4")


def wav(data, *, rate=8000, channels=1, bits=16, kind=1, riff=None, size=None, fmt=16):
    """A WAV whose header may lie: `riff` and `size` are what it counts, `fmt` the length of its
    format."""
    align = channels * bits // 8
    head = struct.pack("<HHIIHH", kind, channels & 0xFFFF, rate & 0xFFFFFFFF,
                       rate * align & 0xFFFFFFFF, align & 0xFFFF, bits)
    return (b"RIFF" + struct.pack("<I", 36 + len(data) if riff is None else riff) + b"WAVE" +
            b"fmt " + struct.pack("<I", fmt) + head +
            b"data" + struct.pack("<I", len(data) if size is None else size) + data)


def floats(value, seconds=3.0, rate=8000):
    return wav(array.array("f", [value]).tobytes() * int(seconds * rate), rate=rate, bits=32, kind=3)


def shorts(value, seconds=3.0, rate=8000):
    return wav(struct.pack("<h", value) * int(seconds * rate), rate=rate)


def converted(source, target):
    subprocess.run(["ffmpeg", "-nostdin", "-v", "error", "-y", "-i", source, target], check=True)
    return pathlib.Path(target).read_bytes()


# The most memory of a process counts what its parent ever held, so a small one stands between.
LAUNCH = """
import os, sys
told, program = int(sys.argv[1]), sys.argv[2:]
_, status, usage = os.wait4(os.posix_spawn(program[0], program, os.environ), 0)
os.write(told, f"{os.waitstatus_to_exitcode(status)} {usage.ru_maxrss} {usage.ru_utime + usage.ru_stime}".encode())
"""


class Outcome:
    """One run of the program, with the most memory and the time it took."""

    def __init__(self, *arguments, stdin=None, limit_s=60.0, cwd=None):
        answer, told = os.pipe()
        with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err, os.fdopen(answer) as answer:
            began = time.monotonic()
            process = subprocess.Popen([sys.executable, "-I", "-S", "-c", LAUNCH, str(told), PROGRAM, *arguments],
                                       stdin=stdin or subprocess.DEVNULL, stdout=out, stderr=err, cwd=cwd,
                                       pass_fds=[told], start_new_session=True)
            os.close(told)
            watch = threading.Timer(limit_s, os.killpg, (process.pid, signal.SIGKILL))
            watch.start()
            process.wait()
            watch.cancel()
            self.seconds = time.monotonic() - began
            # Nothing is told where the watch ended it.
            status, kib, processor_s = (answer.read() or f"{-signal.SIGKILL} 0 0").split()
            self.processor_s = float(processor_s)
            self.status = int(status)
            self.mib = int(kib) / 1024
            out.seek(0)
            err.seek(0)
            self.out = out.read().decode(errors="replace")
            self.err = err.read().decode(errors="replace")


class HostileCase(Case):
    def put(self, name, data):
        path = os.path.join(os.fsencode(self.folder), os.fsencode(name))
        pathlib.Path(os.fsdecode(path)).write_bytes(data)
        return os.fsdecode(path)

    def stands(self, path, expected=None, says="", limit_s=MOST_S, **more):
        """The contract of the table for one recording."""
        run = Outcome("check", *HEARD, "--", path, limit_s=30 * limit_s, **more)
        about = (path, run.status, run.out, run.err)
        self.assertIn(run.status, (2, 3) if expected is None else (expected,), about)
        if run.status == 2:
            self.assertEqual(run.out, "", about)
            self.assertEqual(run.err.count("\n"), 1, about)
            self.assertTrue(run.err.startswith("pipebeat: ") and "; " in run.err, about)
        else:
            self.assertTrue(run.out.startswith("No answer: "), about)
            self.assertIn("\n  Next\n", run.out, about)
            self.assertLessEqual(run.err.count("\n"), 1, about)
        self.assertIn(says, run.out + run.err, about)
        if not SANITIZED:
            self.assertLessEqual(run.mib, MOST_MIB, about)
            # A machine under load makes the clock run; what the program itself used counts then.
            self.assertLessEqual(min(run.seconds, run.processor_s), limit_s, about)
            self.assertLessEqual(run.seconds, 10 * limit_s, about)
        return run


class Content(HostileCase):
    def test_next_to_nothing(self):
        sound = wav(bytes(16000))
        self.stands(self.put("empty.wav", b""), 2, "empty")
        self.stands(self.put("header.wav", sound[:44]), 2, "no sound")
        self.stands(self.put("one.wav", wav(b"\x10\x20")), 3, "too short")
        self.stands(self.put("half-a-sample.wav", wav(b"\x10")), 2)
        self.stands(self.put("text.wav", b"Dear mechanic,\nhere is the recording.\n"), 2,
                    "not a recording")
        self.stands(self.put("zeros.wav", bytes(5000)), 2)
        self.stands(self.put("noise.wav", bytes(range(256)) * 40), 2)

    def test_truncated_anywhere(self):
        path = tone(self.folder / "a.wav", 3.0)
        whole = {"wav": pathlib.Path(path).read_bytes()}
        if shutil.which("ffmpeg"):
            for ending in ("flac", "ogg", "mp3", "aiff", "au", "m4a"):
                whole[ending] = converted(path, self.folder / f"whole.{ending}")
        for ending, data in whole.items():
            cuts = {1, 3, 4, 12, 20, 40, 44, 45, 100, len(data) // 3, len(data) // 2, len(data) - 1}
            for cut in sorted(c for c in cuts if c < len(data)):
                self.stands(self.put(f"cut{cut}.{ending}", data[:cut]))

    def test_what_was_cut_off_is_said(self):
        path = tone(self.folder / "a.wav", 20.0)
        data = pathlib.Path(path).read_bytes()
        self.stands(self.put("half.wav", data[:len(data) // 2]), 3, "half.wav: damaged after 10.0 s")
        if shutil.which("ffmpeg"):
            for ending in ("flac", "aiff"):
                data = converted(path, self.folder / f"a.{ending}")
                self.stands(self.put(f"half.{ending}", data[:len(data) // 2]), 3,
                            f"half.{ending}: damaged after")

    def test_lying_sizes(self):
        sound = struct.pack("<h", 900) * 24000
        for riff in (0, 1, 35, 0x7FFFFFFF, 0xFFFFFFFF):
            for size in (0, 1, len(sound) - 1, len(sound) + 1, 0x7FFFFFFF, 0xFFFFFFFF):
                self.stands(self.put(f"{riff}-{size}.wav", wav(sound, riff=riff, size=size)))
        for length in (0, 1, 15, 17, 40, 0x7FFFFFFF, 0xFFFFFFFF):
            self.stands(self.put(f"fmt{length}.wav", wav(sound, fmt=length)))
        for bits in (0, 1, 7, 9, 24, 33, 64, 65535):
            self.stands(self.put(f"bits{bits}.wav", wav(sound, bits=bits)))
        for kind in (0, 2, 3, 6, 7, 17, 49, 85, 0xFFFE, 0xFFFF):
            self.stands(self.put(f"kind{kind}.wav", wav(sound, kind=kind)))
        good = wav(sound)
        giant = b"LIST" + struct.pack("<I", 0xFFFFFFF0) + b"INFO"
        self.stands(self.put("list.wav", good[:36] + giant + good[36:]))
        self.stands(self.put("rf64.wav", b"RF64\xff\xff\xff\xffWAVEds64" + struct.pack(
            "<IQQQI", 28, 1 << 62, 1 << 62, 1 << 61, 0) + good[12:]))
        self.stands(self.put("a.aiff", b"FORM\x7f\xff\xff\xffAIFFCOMM" + struct.pack(
            ">IhIh10s", 18, 1, 0xFFFFFFFF, 16, b"\x40\x0b\xfa\0\0\0\0\0\0\0") +
            b"SSND\x7f\xff\xff\xff" + bytes(8) + sound))
        self.stands(self.put("a.au", b".snd" + struct.pack(">IIIII", 24, 0xFFFFFFFE, 3, 8000, 1) + sound))
        self.stands(self.put("far.au", b".snd" + struct.pack(">IIIII", 0x7FFFFFF0, 8, 3, 8000, 1) + sound))
        self.stands(self.put("a.caf", b"caff\0\x01\0\0desc" + struct.pack(
            ">qd4sIIIII", 32, 8000.0, b"lpcm", 0, 2, 1, 1, 16) + b"data" + struct.pack(">q", -1) +
            bytes(4) + sound))

    def test_headers_longer_than_memory(self):
        start = b"caff\0\x01\0\0desc" + struct.pack(">qd4sIIIII", 32, 8000.0, b"lpcm", 0, 2, 1, 1, 16)
        sound = b"data" + struct.pack(">qI", 4 + 48000, 0) + bytes(48000)

        def titles(length):
            return b"info" + struct.pack(">QI", length, 1) + b"title\0Van\0"
        for length in (0x7FFFFFFF, 0x80000000, 0x524946462E, 1 << 62, (1 << 64) - 1):
            self.stands(self.put(f"{length}.caf", start + titles(length)), 2)
            self.stands(self.put(f"{length}-last.caf", start + sound + titles(length)), 3)
        # Files that are as long as they say, without taking room on the disk.
        gigabyte = 1 << 30
        for first, path in ((titles(gigabyte), "titles.caf"),
                            (b"pakt" + struct.pack(">QQQII", gigabyte, 1 << 20, 1 << 32, 0, 0), "table.caf")):
            path = self.put(path, start + first)
            os.truncate(path, gigabyte + 1000)
            with open(path, "r+b") as file:
                file.seek(len(start) + 12 + gigabyte)
                file.write(sound)
            self.stands(path, 3)
        # Through a pipe, which has no length to hold them against, behind more than is held of it.
        for filling in (b"", b"free" + struct.pack(">q", 8_500_000) + bytes(8_500_000)):
            path = self.put("long.caf", start + filling + titles(0x7FFFFFFF) + bytes(9_000_000))
            with subprocess.Popen(["cat", path], stdout=subprocess.PIPE) as cat:
                self.stands("-", 2, stdin=cat.stdout)
        # A chunk that ends in the middle of the last bytes that a header parser may see.
        chunk = b"cue " + struct.pack("<II", 76, 3) + b"".join(
            struct.pack("<II4sIII", i, 900 * i, b"data", 0, 0, 900 * i) for i in range(3))[:72] + b"LIST"
        front = wav(b"", size=0)[:36] + b"JUNK"
        for cut in range(4):
            filling = (8 << 20) - len(front) - 4 - len(chunk) + cut
            path = self.put("cut.wav", front + struct.pack("<I", filling) + bytes(filling) + chunk + bytes(9_000_000))
            with subprocess.Popen(["cat", path], stdout=subprocess.PIPE) as cat:
                self.stands("-", stdin=cat.stdout)
        # The titles of an Ogg file are a packet over many pages.
        page = b"OggS\0\x01" + b"\xff" * 8 + bytes(12) + b"\xff" * 256 + bytes(255 * 255)
        self.stands(self.put("titles.ogg", page * 260), 2, "longer than 16 MiB")

    @unittest.skipIf(SANITIZED, "headers are tried in a process of their own without a sanitizer only")
    def test_what_the_fuzzer_found(self):
        found = sorted((program.SOURCE / "tests" / "fuzz" / "regressions" / "reader").iterdir())
        self.assertTrue(found)
        for path in found:
            self.stands(os.fspath(path))
            with open(path, "rb") as file, subprocess.Popen(["cat"], stdin=file, stdout=subprocess.PIPE) as cat:
                self.stands("-", stdin=cat.stdout)

    def test_a_flac_that_counts_too_many(self):
        if not shutil.which("ffmpeg"):
            self.skipTest("no ffmpeg to make it with")
        flac = bytearray(converted(tone(self.folder / "a.wav", 3.0), self.folder / "a.flac"))
        # STREAMINFO: the last 36 bits before the checksum are the count of samples.
        flac[21] |= 0x0F
        flac[22:26] = b"\xff\xff\xff\xff"
        self.stands(self.put("many.flac", bytes(flac)))

    def test_rates(self):
        sound = struct.pack("<h", 900) * 24000
        for rate in (0, 1, 3999, 400_001, 10_000_000, 0x7FFFFFFF, 0xFFFFFFFF):
            self.stands(self.put(f"{rate}.wav", wav(sound, rate=rate)), 2)
        for rate in (4000, 384_000):
            self.stands(self.put(f"{rate}.wav", wav(sound, rate=rate)), 3)

    def test_channels(self):
        sound = struct.pack("<h", 900) * 48000
        self.stands(self.put("0.wav", wav(sound, channels=0)), 2)
        for channels in (64, 1024):
            self.stands(self.put(f"{channels}.wav", wav(sound, channels=channels)), 3)
        for channels in (1025, 65535):
            self.stands(self.put(f"{channels}.wav", wav(sound, channels=channels)))
        frames = tone(self.folder / "music.wav", 4.0, channels=64)
        self.stands(frames, 3)

    def test_samples_that_are_no_sound(self):
        for name, value in (("nan", float("nan")), ("inf", float("inf")), ("-inf", float("-inf")),
                            ("denormal", 1e-42), ("huge", 3e38), ("dc", 0.5)):
            self.stands(self.put(f"{name}.wav", floats(value)), 3)
        for name, value in (("clipped", 32767), ("clipped-low", -32768), ("dc", 9000)):
            self.stands(self.put(f"{name}.wav", shorts(value)), 3)
        square = struct.pack("<h", 32767) * 80 + struct.pack("<h", -32768) * 80
        self.stands(self.put("square.wav", wav(square * 150)), 3)

    def test_silence_is_called_silence(self):
        self.stands(self.put("silent.wav", shorts(0)), 3, "the recording is silent")
        self.stands(self.put("muted.wav", wav(struct.pack("<hhhh", 1, 0, -1, 0) * 6000)), 3,
                    "the recording is silent")


class Places(HostileCase):
    def test_what_is_no_plain_file(self):
        self.stands(os.fspath(self.folder), 2, "folder")
        self.stands("/dev/null", 2, "empty")
        self.stands(os.path.join(self.folder, "none.wav"), 2, "no such file")
        self.stands("", 2)
        self.stands("x" * 300, 2)
        self.stands("x/" * 3000, 2)
        loop = self.folder / "loop.wav"
        loop.symlink_to(loop)
        self.stands(os.fspath(loop), 2, "a link that leads back to itself")

    def test_a_pipe(self):
        path = os.fspath(self.folder / "fifo.wav")
        os.mkfifo(path)
        self.stands(path, 2, "nobody writes into")

        def late(data):
            time.sleep(0.3)
            with open(path, "wb") as pipe:
                for at in range(0, len(data), 5000):
                    pipe.write(data[at:at + 5000])
                    pipe.flush()
        for data, status in ((wav(bytes(48000)), 3), (b"", 2), (b"R", 2), (b"nonsense" * 999, 2)):
            writer = threading.Thread(target=late, args=(data,))
            writer.start()
            self.stands(path, status)
            writer.join()

    def test_names(self):
        for name in ("two words.wav", "two\nlines.wav", "Bäckerei ☕.wav", b"\xff\xfe.wav", "-.wav",
                     "--help", "-", "\x1b[2Jcleared.wav", "%s%n.wav", "$(reboot).wav", "`x`.wav"):
            path = self.put(name, shorts(0))
            run = self.stands(path, 3)
            self.assertNotIn("\x1b", run.out)
            self.assertNotIn("two\nlines", run.out)
        for name in ("-v.wav", "--help"):
            self.put(name, shorts(0))
            self.stands(name, 3, cwd=self.folder)

    def test_a_file_that_changes_while_it_is_read(self):
        for name, change in (("shrinks", -1), ("grows", 1)):
            path = self.put(f"{name}.wav", shorts(0, seconds=600.0))
            size = os.path.getsize(path)
            stop = threading.Event()

            def work(path=path, size=size, change=change, stop=stop):
                at = size
                while not stop.is_set() and 50 < at < 20_000_000:
                    at += change * 40_000
                    os.truncate(path, max(at, 50))
            worker = threading.Thread(target=work)
            worker.start()
            try:
                self.stands(path)
            finally:
                stop.set()
                worker.join()


class Many(HostileCase):
    def test_many_at_once(self):
        # Headers are tried in processes of their own, forked beside the other threads.
        good = pathlib.Path(tone(self.folder / "a.wav", 0.3)).read_bytes()
        for name, data in (("cut.wav", good[:60]), ("zeros.wav", bytes(900)), ("text.wav", b"Dear mechanic,"),
                           ("list.wav", good[:36] + b"LIST\xff\xff\xff\xff" + good[36:]), ("caff.caf", b"caff\0\x01\0\0" + good)):
            self.put(name, data)
        files = sorted(os.fspath(p) for p in self.folder.glob("*.*")) * 20
        alone = Outcome("check", *HEARD, "--jobs", "1", *files)
        for _ in range(2):
            together = Outcome("check", *HEARD, "--jobs", "8", *files)
            self.assertEqual((together.out, together.err, together.status), (alone.out, alone.err, alone.status))


class Jobs(HostileCase):
    def test_a_job_that_is_made_to_be_large(self):
        job = os.fspath(self.folder / "job")
        self.assertEqual(program.run("job", "new", job, "--vehicle", "van", "--engine", "inline4")[2], 0)
        path = pathlib.Path(job, "job.json")
        good = path.read_bytes()
        inside = (4 << 20) - 200
        for unit, count, end in ((b"0,", inside // 2, b"0]"), (b"[],", inside // 3, b"0]"), (b"{},", inside // 3, b"0]"),
                                 (b'{"":0},', inside // 7, b"0]"), (b"x", inside, b'"]'), (b"[", inside, b""),
                                 (b'{"":', inside // 4, b""), (b" ", 5 << 20, good), (b"\xff", inside, b"")):
            start = b'["' if unit == b"x" else b"" if unit in (b" ", b"[") else b"["
            path.write_bytes(start + unit * count + end)
            length = os.path.getsize(path)
            for command in (("job", "show", job), ("check", "--job", job, os.fspath(self.folder / "none.wav"))):
                run = Outcome(*command, limit_s=600.0 if SANITIZED else 60.0)
                about = (command, unit, run.status, run.err)
                self.assertEqual((run.status, run.out, run.err.count("\n")), (2, "", 1), about)
                self.assertTrue(run.err.startswith("pipebeat: ") and "; " in run.err, about)
                if not SANITIZED:
                    self.assertLessEqual(run.mib, MOST_MIB, about)
            self.assertEqual(os.path.getsize(path), length)


class Long(HostileCase):
    def test_a_day_of_silence(self):
        # A sparse file: a day is 8.3 GB that take no room, as RF64, for a WAV ends at 4 GiB.
        frames = SILENT_HOURS * 3600 * 48_000
        path = self.put("day.wav", b"RF64\xff\xff\xff\xffWAVEds64" + struct.pack(
            "<IQQQI", 28, 72 + 2 * frames, 2 * frames, frames, 0) + b"fmt " + struct.pack(
            "<IHHIIHH", 16, 1, 1, 48_000, 96_000, 2, 16) + b"data\xff\xff\xff\xff")
        os.truncate(path, 80 + 2 * frames)
        run = self.stands(path, 3, "silent", limit_s=DAY_S)
        print(f"{SILENT_HOURS} h of silence from a file: {run.seconds:.1f} s, {run.mib:.1f} MiB")
        with subprocess.Popen(["cat", path], stdout=subprocess.PIPE) as cat:
            run = self.stands("-", 3, "silent", limit_s=DAY_S, stdin=cat.stdout)
        print(f"{SILENT_HOURS} h of silence through a pipe: {run.seconds:.1f} s, {run.mib:.1f} MiB")


program.main()
