"""The files that check writes: report, events, marked copy."""
import csv
import html.parser
import os
import pathlib
import stat
import struct
import subprocess
import unittest
import wave

import program
from program import PATIENCE_S, SOURCE, Case, run, tone

VAN = os.fspath(SOURCE / "samples" / "van-before.flac")
CHECK = ("check", "--cylinders", "4")


def chunks(wav):
    """RIFF chunks of a WAV in order: name -> bytes."""
    assert wav[:4] == b"RIFF" and wav[8:12] == b"WAVE"
    assert struct.unpack("<I", wav[4:8])[0] == len(wav) - 8
    found, at = {}, 12
    while at < len(wav):
        name, size = wav[at:at + 4], struct.unpack("<I", wav[at + 4:at + 8])[0]
        found[name.decode()] = wav[at + 8:at + 8 + size]
        at += 8 + size + size % 2
    return found


class Outside(html.parser.HTMLParser):
    """Collects what would make a browser fetch or run something."""

    def __init__(self):
        super().__init__()
        self.found = []

    def handle_starttag(self, tag, attrs):
        if tag in ("script", "link", "iframe", "object", "embed", "img", "form"):
            self.found.append(tag)
        self.found += [name for name, _ in attrs
                       if name in ("src", "href", "action") or name.startswith("on")]


class Report(Case):
    def test_it_says_what_check_says_and_fetches_nothing(self):
        target = self.folder / "van.html"
        out, err, status = run(*CHECK, "--json", "--report", os.fspath(target), VAN)
        self.assertEqual((err, status in (0, 1, 3)), ("", True))
        page = target.read_text(encoding="utf-8")
        plain, _, _ = run(*CHECK, VAN)
        self.assertIn(plain.splitlines()[0], page)
        self.assertIn("Beat map", page)
        self.assertIn("Content-Security-Policy", page)
        outside = Outside()
        outside.feed(page)
        self.assertEqual(outside.found, [])
        self.assertIn(f"{self.findings(out)[0]['rpm']['mean']:.0f} rpm", page)

    def test_it_says_when_the_recording_was_last_written(self):
        path, target = tone(self.folder / "a.wav", hertz=0), self.folder / "r.html"
        for seconds, said in ((1772600760, "2026-03-04 05:06 UTC"), (951782400, "2000-02-29 00:00 UTC")):
            os.utime(path, (seconds, seconds))
            self.assertEqual(run(*CHECK, "--report", os.fspath(target), path)[2], 3)
            self.assertIn(f"<dt>File</dt><dd>last written {said}</dd>", target.read_text(encoding="utf-8"))
        piped = run(*CHECK, "--report", os.fspath(target), "-", stdin=pathlib.Path(path).read_bytes())
        self.assertEqual(piped[2], 3)
        self.assertNotIn("last written", target.read_text(encoding="utf-8"))

    def test_a_hostile_name_is_only_text(self):
        path = tone(self.folder / "<img src=x onerror=alert(1)>.wav", hertz=0)
        target = self.folder / "r.html"
        self.assertEqual(run(*CHECK, "--report", os.fspath(target), path)[2], 3)
        outside = Outside()
        outside.feed(target.read_text(encoding="utf-8"))
        self.assertEqual(outside.found, [])


    def test_what_is_written_inside_a_recording_is_only_text(self):
        evil = b"<script>alert(1)</script><img src=x onerror=alert(2)>"
        text = evil + bytes(1 + (len(evil) + 1) % 2)
        info = b"INFO" + b"".join(name + struct.pack("<I", len(text)) + text
                                  for name in (b"INAM", b"ICMT", b"ISFT", b"IART"))
        label = struct.pack("<I", 1) + text
        labels = b"adtllabl" + struct.pack("<I", len(label)) + label
        cue = struct.pack("<III4sIII", 1, 1, 900, b"data", 0, 0, 900)
        sound = pathlib.Path(tone(self.folder / "a.wav")).read_bytes()
        body = sound[8:] + b"".join(name + struct.pack("<I", len(data)) + data for name, data in (
            (b"LIST", info), (b"cue ", cue), (b"LIST", labels)))
        path = self.folder / "tagged.wav"
        path.write_bytes(b"RIFF" + struct.pack("<I", len(body)) + body)
        target = self.folder / "r.html"
        self.assertEqual(run(*CHECK, "--report", os.fspath(target), os.fspath(path))[2], 3)
        page = target.read_text(encoding="utf-8")
        outside = Outside()
        outside.feed(page)
        self.assertEqual(outside.found, [])
        self.assertRegex(page, r"Content-Security-Policy\W+content=.default-src 'none'")
        out, err, status = run("droptest", "--engine", "inline4", os.fspath(path))
        self.assertEqual((status, err.count("\n")), (2, 1), err)


class StandardOutput(Case):
    def test_an_answer_that_does_not_arrive_is_trouble(self):
        card = os.fspath(self.folder / "card")
        self.assertEqual(run("job", "new", card, "--vehicle", "van", "--engine", "inline4")[2], 0)
        # What is shorter than a stream's buffer fails at the end, what is longer while it is printed.
        for arguments in ((*CHECK, VAN), (*CHECK, "--json", VAN), ("engines",), ("job", "next", card),
                          ("job", "table"), ("--help",)):
            with open("/dev/full", "wb") as full:
                done = subprocess.run([program.PROGRAM, *arguments], stdout=full, stderr=subprocess.PIPE,
                                      timeout=PATIENCE_S, check=False)
            said = done.stderr.decode()
            self.assertEqual((done.returncode, said.count("\n")), (2, 1), (arguments, said))
            self.assertIn("could not be written to standard output; ", said)


class Events(Case):
    def test_every_event_is_a_line(self):
        target = self.folder / "van.csv"
        out, err, _ = run(*CHECK, "--json", "--events", os.fspath(target), VAN)
        self.assertEqual(err, "")
        finding = self.findings(out)[0]
        with open(target, encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        self.assertEqual(list(rows[0]), ["time_s", "cycle", "position", "level",
                                         "missing_probability"])
        times = [float(r["time_s"]) for r in rows]
        self.assertEqual(times, sorted(times))
        self.assertTrue(all(0.0 <= float(r["missing_probability"]) <= 1.0 for r in rows))
        self.assertEqual({int(r["position"]) for r in rows}, {1, 2, 3, 4})
        if finding["events"]["expected"] is not None:
            self.assertEqual(len(rows), finding["events"]["expected"])

    def test_no_engine_no_lines(self):
        target = self.folder / "none.csv"
        run(*CHECK, "--events", os.fspath(target), tone(self.folder / "a.wav", hertz=0))
        self.assertEqual(target.read_text(encoding="utf-8"),
                         "time_s,cycle,position,level,missing_probability\n")


class Marked(Case):
    def marked(self, recording, *more):
        wav, events = self.folder / "marked.wav", self.folder / "events.csv"
        out, err, status = run(*CHECK, "--json", *more, "--marked", os.fspath(wav), "--events",
                               os.fspath(events), recording)
        self.assertNotEqual(status, 2, err)
        with open(events, encoding="utf-8", newline="") as file:
            missing = [r for r in csv.DictReader(file) if float(r["missing_probability"] or 0) >= 0.5]
        return chunks(wav.read_bytes()), missing, self.findings(out)[0]

    def test_a_tick_and_a_cue_point_on_each_missing_event(self):
        parts, missing, finding = self.marked(VAN)
        if finding["verdict"] == "dead_miss":
            self.assertEqual(len(missing), finding["events"]["missing"])
        rate = struct.unpack("<I", parts["fmt "][4:8])[0]
        self.assertEqual((rate, parts["fmt "][2]), (44100, 2))
        samples = struct.unpack(f"<{len(parts['data']) // 2}h", parts["data"])
        ticks = samples[1::2]
        self.assertEqual(len(ticks), 14 * rate)
        count = struct.unpack("<I", parts["cue "][:4])[0] if missing else 0
        self.assertEqual(count, len(missing))
        for i, event in enumerate(missing):
            at = struct.unpack("<I", parts["cue "][4 + 24 * i + 20:4 + 24 * i + 24])[0]
            self.assertAlmostEqual(at / rate, max(float(event["time_s"]), 0.0), places=3)
            self.assertGreater(max(abs(s) for s in ticks[at:at + rate // 100]), 8000)
        heard = sum(1 for s in ticks if s != 0) / rate
        self.assertLessEqual(heard, 0.0125 * len(missing))

    def test_the_sound_stays_the_same(self):
        parts, _, _ = self.marked(VAN)
        samples = struct.unpack(f"<{len(parts['data']) // 2}h", parts["data"])
        plain = subprocess.run(["ffmpeg", "-nostdin", "-v", "error", "-i", VAN, "-f", "s16le", "-"],
                               capture_output=True, check=True).stdout
        original = struct.unpack(f"<{len(plain) // 2}h", plain)
        self.assertLessEqual(max(abs(a - b) for a, b in zip(samples[0::2], original)), 1)

    def test_the_channel_that_was_judged_is_copied(self):
        path = self.folder / "two.wav"
        with wave.open(os.fspath(path), "wb") as file:
            file.setnchannels(2)
            file.setsampwidth(2)
            file.setframerate(8000)
            file.writeframes(b"".join(struct.pack("<hh", 0, 6000 if i % 20 < 10 else -6000)
                                      for i in range(16000)))
        parts, _, _ = self.marked(os.fspath(path), "--channel", "2")
        samples = struct.unpack(f"<{len(parts['data']) // 2}h", parts["data"])
        self.assertGreater(max(samples[0::2]), 5000)

    def test_a_pipe_or_the_recording_itself_is_refused(self):
        sound = pathlib.Path(tone(self.folder / "a.wav")).read_bytes()
        out, err, status = run(*CHECK, "--json", "--marked", os.fspath(self.folder / "m.wav"), "-",
                               stdin=sound)
        self.assertEqual(status, 2)
        self.assertIn("standard input", err)
        self.assertFalse((self.folder / "m.wav").exists())
        own = os.fspath(self.folder / "a.wav")
        out, err, status = run(*CHECK, "--json", "--marked", own, own)
        self.assertEqual(status, 2)
        self.assertIn("the recording itself", err)
        self.assertEqual(pathlib.Path(own).read_bytes(), sound)


class Originals(Case):
    """What somebody recorded or noted is never written over, whichever option names it."""

    def originals(self):
        ffmpeg = ("ffmpeg", "-nostdin", "-v", "error", "-i", tone(self.folder / "old.wav"))
        for ending in ("flac", "mp3", "ogg", "m4a", "aiff"):
            subprocess.run([*ffmpeg, self.folder / f"old.{ending}"], check=True)
        run("job", "new", os.fspath(self.folder / "van"), "--vehicle", "van", "--engine", "inline4")
        return [p for p in self.folder.rglob("*") if p.is_file()]

    def test_whatever_it_is(self):
        kept = {path: path.read_bytes() for path in self.originals()}
        self.assertGreater(len(kept), 6)
        recording = tone(self.folder / "new.wav")
        for path in kept:
            for option in ("--report", "--events", "--marked"):
                self.refused(*CHECK, option, os.fspath(path), recording, says=[path.name, "another name"])
            self.refused("job", "sheet", os.fspath(self.folder / "van"), "-o", os.fspath(path),
                         says=[path.name, "another name"])
        for path, content in kept.items():
            self.assertEqual(path.read_bytes(), content, path)

    def test_an_older_marked_copy_and_other_files_are_replaced(self):
        recording, marked = tone(self.folder / "a.wav"), self.folder / "m.wav"
        for _ in range(2):
            self.assertEqual(run(*CHECK, "--marked", os.fspath(marked), recording)[1:], ("", 3))
        self.assertIn(b"pipebeat marked copy", marked.read_bytes()[:100])
        for text in (b"", b"notes\n", b"\xff\xfeU\0T\0F\0", b"{}\n"):
            marked.write_bytes(text)
            self.assertEqual(run(*CHECK, "--report", os.fspath(marked), recording)[1:], ("", 3), text)


class Writing(Case):
    FILES = ("--report", "--events", "--marked")

    def test_a_folder_that_is_not_there(self):
        path = tone(self.folder / "a.wav")
        for option in self.FILES:
            out, err, status = run(*CHECK, "--json", option, "/nonexistent/out", path)
            self.assertEqual(status, 2, option)
            self.assertEqual(len(self.findings(out)), 1)
            self.assertEqual(err.count("\n"), 1)
            self.assertIn("/nonexistent/out", err)

    def test_a_folder_as_target(self):
        path = tone(self.folder / "a.wav")
        for option in self.FILES:
            self.assertEqual(run(*CHECK, option, os.fspath(self.folder), path)[2], 2, option)

    def test_a_full_disk_is_said(self):
        path = tone(self.folder / "a.wav")
        for option in ("--report", "--events"):
            out, err, status = run(*CHECK, option, "/dev/full", path)
            self.assertEqual(status, 2)
            self.assertIn("/dev/full", err)

    def test_several_recordings_are_refused_before_any_is_heard(self):
        a, b = tone(self.folder / "a.wav"), tone(self.folder / "b.wav")
        for option in self.FILES:
            self.refused(*CHECK, option, os.fspath(self.folder / "out"), a, b, says=[option])

    def test_an_older_file_is_replaced_and_keeps_its_permissions(self):
        path, target = tone(self.folder / "a.wav"), self.folder / "r.html"
        target.write_text("older")
        os.chmod(target, 0o600)
        run(*CHECK, "--report", os.fspath(target), path)
        self.assertIn("pipebeat", target.read_text(encoding="utf-8"))
        self.assertEqual(stat.S_IMODE(target.stat().st_mode), 0o600)
        self.assertEqual({p.name for p in self.folder.iterdir()}, {"a.wav", "r.html"})

    def test_a_failed_copy_leaves_the_older_file(self):
        path, target = tone(self.folder / "a.wav"), self.folder / "m.wav"
        target.write_text("older")
        limited = subprocess.run(
            ["/bin/sh", "-c", 'trap "" XFSZ; ulimit -f 8; exec "$@"', "sh", program.PROGRAM, *CHECK,
             "--marked", target, path], capture_output=True, timeout=PATIENCE_S, check=False)
        self.assertEqual(limited.returncode, 2, limited.stderr)
        self.assertEqual(target.read_text(), "older")
        self.assertEqual({p.name for p in self.folder.iterdir()}, {"a.wav", "m.wav"})


program.main()
