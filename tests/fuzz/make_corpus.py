"""Inputs to start from, made of the samples. Usage: make_corpus.py SOURCE OUT

One folder a target: reader (short files of every format at hand), listener (raw samples behind three
bytes that say rate, layout and block), options, job, json. What crashed once is not among them: tools/fuzz
replays it, and inputs that hold libraries up would breed more of their kind.
"""
import array
import json
import pathlib
import random
import shutil
import struct
import subprocess
import sys

SOURCE, OUT = pathlib.Path(sys.argv[1]), pathlib.Path(sys.argv[2])
VAN = SOURCE / "samples" / "van-before.flac"


def put(target, name, data):
    folder = OUT / target
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_bytes(data if isinstance(data, bytes) else data.encode())


def ffmpeg(*arguments):
    """Bit-exact: the same inputs every time, without a date, a version or a random number."""
    return subprocess.run(["ffmpeg", "-nostdin", "-v", "error", "-fflags", "+bitexact", *arguments[:-1],
                           "-fflags", "+bitexact", "-flags:a", "+bitexact", arguments[-1]],
                          capture_output=True, check=True).stdout


def reader():
    for ending in ("wav", "flac", "ogg", "opus", "mp3", "aiff", "au", "caf", "w64"):
        target = OUT / f"made.{ending}"
        rate = "48000" if ending == "opus" else "8000"
        ffmpeg("-y", "-ss", "1", "-t", "0.4", "-i", VAN, "-ac", "1", "-ar", rate, target)
        put("reader", f"van.{ending}", target.read_bytes())
        target.unlink()
    for name, codec in (("u8", "pcm_u8"), ("s24", "pcm_s24le"), ("f64", "pcm_f64le"), ("ulaw", "pcm_mulaw"),
                        ("adpcm", "adpcm_ms"), ("ima", "adpcm_ima_wav"), ("gsm", "libgsm_ms")):
        target = OUT / "made.wav"
        try:
            ffmpeg("-y", "-t", "0.3", "-i", VAN, "-ac", "1", "-ar", "8000", "-c:a", codec, target)
        except subprocess.CalledProcessError:
            continue  # this ffmpeg was built without that codec
        put("reader", f"{name}.wav", target.read_bytes())
    for count in (1, 3):
        cues = b"".join(struct.pack("<II4sIII", i + 1, 900 * i, b"data", 0, 0, 900 * i) for i in range(count))
        body = (b"WAVEfmt " + struct.pack("<IHHIIHH", 16, 1, 1, 8000, 16000, 2, 16) + b"cue " +
                struct.pack("<II", 4 + len(cues), count) + cues + b"LIST" + struct.pack("<I", 18) + b"adtl" +
                b"labl" + struct.pack("<II", 6, 1) + b"2\0" + b"data" + struct.pack("<I", 4000) + bytes(4000))
        put("reader", f"cues{count}.wav", b"RIFF" + struct.pack("<I", len(body)) + body)


def listener():
    for name in ("van-before", "van-after", "van-raised"):
        sound = ffmpeg("-ss", "2", "-t", "2.2", "-i", SOURCE / "samples" / f"{name}.flac", "-ac", "1", "-ar",
                       "4000", "-f", "s8", "-c:a", "pcm_s8", "-")
        put("listener", f"{name}.s8", bytes((0, 1, 10)) + sound)
        put("listener", f"{name}.f32", bytes((0, 1, 0xa9)) + array.array(
            "f", (b / 128 - (b > 127) * 2 for b in sound)).tobytes())
    chance = random.Random(5)
    put("listener", "noise.s8", bytes((2, 7, 9)) + bytes(chance.randrange(256) for _ in range(20000)))
    put("listener", "square.s8", bytes((0, 5, 6)) + (b"\x7f" * 20 + b"\x81" * 20) * 400)
    for name, value in (("nan", float("nan")), ("inf", float("inf")), ("denormal", 1e-42), ("dc", 0.7)):
        put("listener", f"{name}.f32", bytes((0, 3, 0xaa)) + array.array("f", [value]).tobytes() * 2200)


def options():
    for cylinders, *lines in (
            (4, "", "1-3-4-2", "180,180,180,180", "1,2,3,4", "10:1,20:on,1:30.5:3", "1@10", "3=off3.wav"),
            (8, "v8-bank", "1-3-7-2-6-5-4-8", "90,180,270,180", "1,2,3,4", "0:on", "8@0:59", "8=a=b.wav"),
            (6, "", "1-4-2-5-3-6", "90,150,90,150,90,150", "", "5:2", "6@1e3", "0=x")):
        for kind, reading in enumerate(("1200 kPa", "9kV", "P0303", "lead:3>4", "yes", "15 psi", "80 %",
                                        "1.2 Mohm", "700 rpm", "yellow")):
            put("options", f"{cylinders}-{kind}", bytes([cylinders + 1]) + "\n".join(lines).encode() + b"\n" +
                bytes([3 * kind, 3]) + reading.encode())


def job():
    table = (SOURCE / "src" / "job" / "likelihoods.json").read_bytes()
    card = {"schema": "pipebeat.job/2", "created": "2026-11-25T16:40:00Z", "vehicle": "bakery van",
            "engine": {"layout": "inline4", "cylinders": 4, "strokes": 4, "order": [1, 3, 4, 2],
                       "intervals_deg": [180, 180, 180, 180], "heard": [1, 2, 3, 4],
                       "rows": [[1, 2, 3, 4]], "fuel": "petrol", "injection": "port", "ignition": "leads"},
            "tools": ["stethoscope"], "entries": [
                {"id": 1, "date": "2026-11-25T16:41:00Z", "kind": "reading", "what": "code", "cylinder": 0,
                 "word": "P0303", "given": "P0303"},
                {"id": 2, "date": "2026-11-25T16:42:00Z", "kind": "reading", "what": "compression",
                 "cylinder": 3, "value": 1150.0, "unit": "kPa", "given": "11.5 bar"},
                {"id": 3, "date": "2026-11-25T16:43:00Z", "kind": "work", "cylinder": 3,
                 "text": "new lead"},
                {"id": 4, "date": "2026-11-25T16:44:00Z", "kind": "note", "text": "wet day", "replaces": 0},
                {"id": 5, "date": "2026-11-25T16:45:00Z", "kind": "finding", "command": "check",
                 "recordings": ["recordings/a.wav"], "finding": {"schema": "pipebeat.check/1",
                                                                 "verdict": "dead_miss"}}]}
    old = {"schema": "pipebeat.job/1", "created": "2026-11-25T16:40:00Z", "vehicle": "van",
           "engine": {"cylinders": 4}, "readings": [], "findings": []}
    put("job", "table.json", table)
    for target in ("job", "json"):
        put(target, "card.json", json.dumps(card, indent=2))
        put(target, "old.json", json.dumps(old))
    put("json", "odd.json", '{"a": [1e308, -0.0, "\\u00fc\\ud83d\\ude00", null, true, {}], "b": {"": []}}')


def main():
    shutil.rmtree(OUT, ignore_errors=True)
    OUT.mkdir(parents=True)
    for make in (reader, listener, options, job):
        make()
    for rest in OUT.glob("made.*"):
        rest.unlink()
    print(", ".join(f"{p.name}: {sum(1 for _ in p.iterdir())}" for p in sorted(OUT.iterdir()) if p.is_dir()))


main()
