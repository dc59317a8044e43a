"""pipebeat listen on a real capture path: PulseAudio, ALSA's plugin, PortAudio.

Usage: test_listen.py PROGRAM SOURCE_FOLDER [KILLS] [TEST]. KILLS: how often a take is killed; default 4,
tools/soak runs 50.
"""
import contextlib
import fcntl
import json
import os
import pathlib
import pty
import random
import re
import resource
import signal
import struct
import subprocess
import sys
import termios
import threading
import time
import unittest

KILLS = int(sys.argv.pop(3)) if sys.argv[3:] and sys.argv[3].isdigit() else 4

import program  # noqa: E402
from program import PATIENCE_S, PROGRAM, SOURCE, Case, run  # noqa: E402

sys.path.insert(0, os.fspath(SOURCE / "tools"))
from sound_server import SoundServer  # noqa: E402

VAN = SOURCE / "samples" / "van-before.flac"
DROPTEST = SOURCE / "samples" / "van-droptest.flac"
FOUR = ("--cylinders", "4")


def screen_of(stream, rows=30, columns=90):
    """What a terminal of the xterm kind shows after this stream: ncurses sends differences only."""
    grid, row, column, last = [[" "] * columns for _ in range(rows)], 0, 0, " "
    top, bottom = 0, rows  # what scrolls

    def scroll(lines):
        """Up by so many lines, down where negative."""
        empty = [[" "] * columns for _ in range(min(abs(lines), bottom - top))]
        kept = grid[top:bottom]
        grid[top:bottom] = kept[len(empty):] + empty if lines > 0 else empty + kept[:len(kept) - len(empty)]

    for part in re.finditer(r"\x1b\[([?>=]?[0-9;]*)([@-~])|\x1b([()][0-9A-Za-z]|.)|([\r\n\b\t])|([^\x00-\x1f])", stream):
        numbers, command, escape, control, character = part.groups()
        if character or command == "b":
            for _ in range(int(numbers) if command == "b" else 1):
                last = character or last
                if column < columns:
                    grid[row][column] = last
                    column += 1
        elif control == "\n":
            if row == bottom - 1:
                scroll(1)
            row = min(row + (row != bottom - 1), rows - 1)
        elif escape == "M":
            if row == top:
                scroll(-1)
            row = max(row - (row != top), 0)
        elif control:
            tab = min(columns - 1, column // 8 * 8 + 8)
            column = {"\r": 0, "\b": max(0, column - 1), "\t": tab}[control]
        elif command and not numbers.startswith(("?", ">", "=")):
            given = [int(n) if n else 0 for n in numbers.split(";")]
            count = max(1, given[0])
            if command == "H":
                row, column = count - 1, max(1, given[-1] if len(given) > 1 else 1) - 1
            elif command in "dG":
                row, column = (count - 1, column) if command == "d" else (row, count - 1)
            elif command in "ABCD":
                row = min(rows - 1, max(0, row + {"A": -count, "B": count}.get(command, 0)))
                column = min(columns - 1, max(0, column + {"C": count, "D": -count}.get(command, 0)))
            elif command == "r":
                top, bottom = count - 1, given[1] if len(given) > 1 and given[1] else rows
                row = column = 0
            elif command in "ST":
                scroll(count if command == "S" else -count)
            elif command == "X":
                grid[row][column:column + count] = " " * len(grid[row][column:column + count])
            elif command == "K":
                begin, end = (0, column + 1) if given[0] == 1 else (column, columns)
                grid[row][begin:end] = " " * (end - begin)
            elif command == "J":
                grid[row][column:] = " " * (columns - column)
                grid[row + 1:] = [[" "] * columns for _ in grid[row + 1:]]
            elif command == "P":
                grid[row] = grid[row][:column] + grid[row][column + count:] + [" "] * count
            elif command == "@":
                grid[row] = (grid[row][:column] + [" "] * count + grid[row][column:])[:columns]
            elif command in "LM":
                empty = [[" "] * columns for _ in range(min(count, bottom - row))]
                below = grid[row:bottom]
                grid[row:bottom] = empty + below[:len(below) - len(empty)] if command == "L" else below[len(empty):] + empty
                column = 0
            elif command == "Z":
                column = max(0, (column - 1) // 8 * 8 - 8 * (count - 1))
    return "\n".join("".join(line).rstrip() for line in grid)


def playable(path):
    """Frames and rate, by sox: an independent reader."""
    frames = subprocess.run(["soxi", "-s", os.fspath(path)], capture_output=True, text=True,
                            check=True)
    rate = subprocess.run(["soxi", "-r", os.fspath(path)], capture_output=True, text=True,
                          check=True)
    return int(frames.stdout), int(rate.stdout)


class Listen(Case):
    def setUp(self):
        super().setUp()
        self.server = SoundServer()
        self.addCleanup(self.server.close)
        self.take = self.folder / "take.wav"
        self.player = None

    def start(self, *arguments, **more):
        process = subprocess.Popen([PROGRAM, "listen", *FOUR, "--save", self.take, *arguments],
                                   env=self.server.env, stdin=subprocess.DEVNULL,
                                   stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                                   cwd=self.folder, **more)
        self.addCleanup(process.stdout.close)
        self.addCleanup(process.stderr.close)
        self.addCleanup(process.wait)
        self.addCleanup(process.kill)
        return process

    def play(self):
        """The van from its beginning, instead of what was played before."""
        if self.player:
            self.player.kill()
            self.player.wait()
        self.player = self.server.play(VAN)
        self.addCleanup(self.player.wait)
        self.addCleanup(self.player.kill)

    def one_of(self, takes, good):
        """`good()` makes a take and says first whether it is good. On a busy machine player and sound server
        leave pieces of sound out now and then; what is always wrong is wrong every time."""
        told = []
        for _ in range(takes):
            told.append(good())
            if told[-1][0]:
                return
        self.fail(told)

    def wait_for_sound(self, seconds, process=None):
        """Until so much of the take is on the disk."""
        deadline = time.monotonic() + PATIENCE_S
        while not self.take.exists() or self.take.stat().st_size < 94 + seconds * 44100 * 4:
            if process:
                self.assertIsNone(process.poll(), "it ended too early")
            self.assertLess(time.monotonic(), deadline)
            time.sleep(0.02)

    def test_devices(self):
        out, err, status = run("devices", env=self.server.env)
        self.assertEqual((status, err), (0, ""))
        self.assertRegex(out, r"(?m)^> +\d+ .* default \(ALSA\)$")
        self.assertIn("> is used by `pipebeat listen`", out)

    def test_listening_says_what_checking_says(self):
        played = json.loads(run("check", *FOUR, "--json", VAN)[0])

        def like_the_played():
            """One take: the very finding that a check of it gives, and whether that of what was played."""
            self.take.unlink(missing_ok=True)
            self.play()
            process = self.start("--seconds", "10")
            out, err = process.communicate(timeout=PATIENCE_S)
            lines = [json.loads(line) for line in out.splitlines()]
            self.assertEqual([line["running"] for line in lines], [True] * (len(lines) - 1) + [False])
            # One a second, or as often as a busy machine comes to judge.
            self.assertGreaterEqual(len(lines), 2, err)
            for line in lines:
                self.assertEqual(line["schema"], "pipebeat.check/1")
                self.assertEqual(set(line) - {"running", "recent"}, set(line["recent"]))
                self.assertLessEqual(line["recent"]["input"]["usable_s"], 5.1)
            last = lines[-1]
            self.assertEqual(playable(self.take), (441000, 44100))
            self.assertIn("Caution when recording: outdoors", err)
            self.assertIn(f"Kept: {self.take} (10.0 s)", err)

            # The take is kept bit for bit.
            again, _, status = run("check", *FOUR, "--json", self.take)
            again = json.loads(again)
            del last["running"], last["recent"]
            self.assertEqual(again, last)
            self.assertEqual(process.returncode, status)
            # The recording that was played differs by what the way through the sound server did to it, and
            # by where the take begins.
            return ("Lost:" not in err and last["verdict"] == played["verdict"] and
                    abs(last["rpm"]["mean"] / played["rpm"]["mean"] - 1.0) < 0.01 and
                    abs(last["missing_event_ratio"] - played["missing_event_ratio"]) < 0.02, last, err)
        self.one_of(4, like_the_played)

    def test_interrupt_ends_the_take_cleanly(self):
        self.play()
        process = self.start()
        self.wait_for_sound(3.0, process)
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=PATIENCE_S)
        self.assertFalse(json.loads(out.splitlines()[-1])["running"])
        self.assertIn(process.returncode, (0, 1, 3))
        self.assertIn("Kept: ", err)
        self.assertGreaterEqual(playable(self.take)[0], 3 * 44100)

    def test_killed_at_any_moment(self):
        self.play()
        dice = random.Random(4)
        for i in range(KILLS):
            self.take.unlink(missing_ok=True)
            process = self.start()
            self.wait_for_sound(0.1, process)
            time.sleep(dice.uniform(0.0, 2.5))
            process.send_signal(signal.SIGSTOP)  # what had come by now must be there
            size = self.take.stat().st_size
            process.kill()
            process.wait()
            frames, rate = playable(self.take)
            on_disk = (size - 94) // 4
            self.assertLessEqual(on_disk - frames, rate, f"kill {i}")
            self.assertGreater(frames, 0)

    def test_a_kill_costs_less_than_a_second_of_what_was_played(self):
        # Against the clock, not against our own file: sound that came in before the kill.
        self.play()

        def nearly_all_kept():
            self.take.unlink(missing_ok=True)
            process = self.start()
            self.wait_for_sound(0.5, process)
            before, begin = self.take.stat().st_size, time.monotonic()
            time.sleep(2.0)
            process.kill()
            passed = time.monotonic() - begin
            process.wait()
            frames, rate = playable(self.take)
            missing = (before - 94) / 4 / rate + passed - frames / rate
            return missing < 1.0, missing
        self.one_of(4, nearly_all_kept)

    def test_disk_full(self):
        self.play()
        process = self.start(preexec_fn=lambda: resource.setrlimit(
            resource.RLIMIT_FSIZE, (400_000, 400_000)))
        out, err = process.communicate(timeout=PATIENCE_S)
        self.assertEqual(process.returncode, 2)
        self.assertIn("a limit on file sizes is reached; what was heard so far is kept", err)
        self.assertEqual(playable(self.take), ((400_000 - 94) // 4, 44100))
        self.assertFalse(json.loads(out.splitlines()[-1])["running"])

    @unittest.skipUnless(os.geteuid() == 0 and os.path.exists("/dev/full"), "mounting needs root")
    def test_a_small_disk_that_fills_up(self):
        disk = self.folder / "disk"
        disk.mkdir()
        mount = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", disk],
                               capture_output=True, check=False)
        if mount.returncode != 0:
            self.skipTest("mounting is not allowed here")
        self.addCleanup(subprocess.run, ["umount", disk], check=True)
        self.take = disk / "take.wav"
        self.play()
        process = self.start()
        _, err = process.communicate(timeout=PATIENCE_S)
        self.assertEqual(process.returncode, 2)
        self.assertIn("the disk is full; what was heard so far is kept", err)
        self.assertGreater(playable(self.take)[0], 80_000)

    def test_the_device_goes_away(self):
        self.play()
        process = self.start()
        self.wait_for_sound(1.0, process)
        self.server.stop()
        out, err = process.communicate(timeout=PATIENCE_S)
        self.assertEqual(process.returncode, 2, err)
        self.assertIn("the device delivers no more sound", err)
        self.assertIn("Kept: ", err)
        self.assertGreaterEqual(playable(self.take)[0], 44100)
        self.assertFalse(json.loads(out.splitlines()[-1])["running"])

    def test_nobody_reads_any_more(self):
        self.play()
        process = self.start()
        process.stdout.readline()
        process.stdout.close()
        self.assertEqual(process.wait(PATIENCE_S), 2)
        self.assertIn("nobody reads it any more", process.stderr.read())
        self.assertGreater(playable(self.take)[0], 44100)

    def test_refusals(self):
        env = self.server.env
        for arguments, says in (
                (("--device", "trumpet"), "--device trumpet: no such device"),
                (("--device", "99"), "--device 99: no such device"),
                (("--channel", "500"), "--channel 500: default has"),
                (("--seconds", "-1"), "--seconds -1: no such length"),
                (("--save", "/nowhere/a.wav"), "/nowhere/a.wav: there is no such folder")):
            out, err, status = run("listen", *FOUR, *arguments, env=env)
            self.assertEqual((status, out), (2, ""), arguments)
            self.assertIn(says, err)
        self.take.write_bytes(b"precious")
        _, err, status = run("listen", *FOUR, "--save", self.take, env=env)
        self.assertEqual(status, 2)
        self.assertIn("there is such a file already", err)
        self.assertEqual(self.take.read_bytes(), b"precious")

    def test_no_device(self):
        if pathlib.Path("/proc/asound/pcm").exists():
            self.skipTest("this computer has a sound card")
        nothing = {"ALSA_CONFIG_PATH": "/usr/share/alsa/alsa.conf", "PULSE_SERVER": "unix:/nowhere"}
        for command in (("devices",), ("listen", *FOUR)):
            _, err, status = run(*command, env=nothing)
            self.assertEqual(status, 2)
            self.assertIn("device to record from", err)

    def test_microphone_check(self):
        self.play()

        def hears_well():
            out, _, status = run("listen", "--microphone-check", env=self.server.env)
            return (out, status) == ("The microphone hears well: level, lows and gain are good.\n", 0), out
        self.one_of(2, hears_well)

    def test_what_the_microphone_lacks_is_said_in_lines_that_fit(self):
        # Nothing is played.
        out, _, status = run("listen", "--microphone-check", env=self.server.env)
        self.assertEqual(status, 3, out)
        process = self.start("--seconds", "3")
        err = process.communicate(timeout=PATIENCE_S)[1]
        for said in (out, err):
            self.assertIn("no sound at all", said)
            self.assertEqual([line for line in said.splitlines() if len(line) > 80 and not line.startswith("Kept: ")], [])

    def on_a_terminal(self, *arguments):
        """The program on a terminal of its own: ways to wait for words, to press a key, to wait for its end."""
        primary, secondary = pty.openpty()
        self.addCleanup(os.close, primary)
        fcntl.ioctl(secondary, termios.TIOCSWINSZ, struct.pack("HHHH", 30, 90, 0, 0))
        process = subprocess.Popen(
            [PROGRAM, *arguments], stdin=secondary, stdout=secondary,
            stderr=subprocess.PIPE, env=self.server.env | {"TERM": "xterm", "LC_ALL": "C.UTF-8"})
        os.close(secondary)
        shown = []

        def read():
            with contextlib.suppress(OSError):  # the terminal is gone
                while part := os.read(primary, 65536):
                    shown.append(part)

        reader = threading.Thread(target=read)
        reader.start()
        self.addCleanup(reader.join)
        self.addCleanup(process.stderr.close)
        self.addCleanup(process.wait)
        self.addCleanup(process.kill)

        def so_far():
            return b"".join(shown).decode(errors="replace")

        def ended():
            """Exit status, standard error and what stays on the terminal when the view is gone."""
            status, err = process.wait(PATIENCE_S), process.stderr.read().decode()
            reader.join()
            return status, err, so_far()[so_far().rindex("\x1b[?1049l"):]

        def wait_for(*words):
            deadline = time.monotonic() + PATIENCE_S
            while not all(word in screen_of(so_far()) for word in words):
                self.assertIsNone(process.poll(), "it ended too early")
                self.assertLess(time.monotonic(), deadline, f"no {words} on\n{screen_of(so_far())}")
                time.sleep(0.2)
        return wait_for, lambda key: os.write(primary, key.encode()), ended

    def test_keys_on_a_terminal(self):
        self.play()
        wait_for, press, ended = self.on_a_terminal("listen", *FOUR, "--save", self.take)
        wait_for("Recording 0:0", "rpm", "Last 5 s", "Level", "one row a cycle", "s stop")
        for key, said in (("3", "cylinder 3 unplugged"), ("0", "all on again"), ("9", ""), ("m", "Marked at")):
            press(key)  # 9: a four has no such cylinder
            wait_for(said)
        press("s")
        status, err, answer = ended()
        self.assertIn(status, (0, 1, 3))
        self.assertIn("4 cylinders", answer)
        self.assertRegex(err, r"marks: [0-9.]+ s off 3, [0-9.]+ s on, [0-9.]+ s mark\)")
        self.assertFalse(os.path.exists(f"{self.take}.marks"))

    def test_marks_made_while_listening_serve_the_drop_test(self):
        self.play()
        _, press, ended = self.on_a_terminal("listen", *FOUR, "--save", self.take)
        # 1 is off for three seconds; m, a moment to remember, unplugs nothing.
        for seconds, key in ((4.5, "1"), (6.0, "m"), (9.0, "0"), (13.5, "s")):
            self.wait_for_sound(seconds)
            press(key)
        self.assertRegex(ended()[1], r"marks: .* off 1, .* mark, .* on\)")
        out, err, status = run("droptest", *FOUR, "--json", os.fspath(self.take))
        self.assertIn(status, (0, 1, 3), err)
        self.assertEqual([c["cylinder"] for c in json.loads(out)["cylinders"]], [1])

    def test_known_good(self):
        good = ("--known-good", os.fspath(SOURCE / "samples" / "van-after.flac"))

        def uses_it():
            self.take.unlink(missing_ok=True)
            self.play()
            out, err = self.start("--seconds", "5", *good).communicate(timeout=PATIENCE_S)
            last = json.loads(out.splitlines()[-1])
            again = json.loads(run("check", *FOUR, "--json", *good, self.take)[0])
            del last["running"], last["recent"]
            self.assertEqual(again, last)
            return any("known" in reason or "running well" in reason for reason in last["reasons"]), last, err
        self.one_of(4, uses_it)
        refused = run("listen", *FOUR, "--known-good", os.fspath(VAN), env=self.server.env)
        self.assertEqual(refused[2], 2)
        self.assertIn("misses in it", refused[1])

    def segment(self, name, begin, seconds):
        """A stretch of the van's drop test, long enough by repetition."""
        path = self.folder / f"{name}.wav"
        subprocess.run(["sox", DROPTEST, path, "trim", str(begin), str(seconds), "repeat", "29"], check=True)
        return path

    def test_guided_drop_test(self):
        """The van's cylinder 3 is dead. The lead of 1 is forgotten at first, 2 is left out."""
        sounds = {0: self.segment("in", 1.0, 6.0), 1: self.segment("off1", 9.3, 4.0),
                  3: self.segment("off3", 29.3, 4.0)}
        player = None

        def engine_with(off):
            nonlocal player
            if player:
                player.kill()
                player.wait()
            player = self.server.play(sounds[off])

        engine_with(0)
        wait_for, press, ended = self.on_a_terminal("droptest", "--live", "--engine", "inline4", "--save", self.take)
        wait_for("press Enter")
        press("\r")
        wait_for("Unplug cylinder 1")
        engine_with(1)
        press("\r")
        wait_for("Plug cylinder 1 back")
        press("\r")  # without doing it
        wait_for("as if cylinder 1 were still")
        engine_with(0)
        press("\r")
        wait_for("Unplug cylinder 2")
        press("n")
        wait_for("Unplug cylinder 3")
        engine_with(3)
        press("\r")
        wait_for("Plug cylinder 3 back")
        engine_with(0)
        press("\r")
        wait_for("Unplug cylinder 4")
        press("s")
        status, err, answer = ended()
        player.kill()
        player.wait()
        self.assertLess(err.index("Caution first"), err.index("Kept: "))
        self.assertRegex(err, r"off 1, [0-9.]+ s on, [0-9.]+ s still off 1, [0-9.]+ s on, [0-9.]+ s off 3, [0-9.]+ s on")
        self.assertEqual(status, 1, answer + err)
        self.assertIn("Cylinder 3 is dead", answer)
        self.assertIn("cylinder 2 was not unplugged", answer.lower())
        # The take answers the same later on.
        again, _, status = run("droptest", "--engine", "inline4", "--json", os.fspath(self.take))
        self.assertEqual((json.loads(again)["dead_cylinders"], status), ([3], 1))

    def test_the_guided_test_wants_a_terminal(self):
        self.assertIn("this is no terminal", run("droptest", "--live", *FOUR, env=self.server.env)[1])

    def test_a_terminal_that_is_not_known(self):
        primary, secondary = pty.openpty()
        done = subprocess.run([PROGRAM, "listen", *FOUR, "--save", self.take], stdin=secondary,
                              stdout=secondary, stderr=subprocess.PIPE, timeout=PATIENCE_S, check=False,
                              env=self.server.env | {"TERM": "unheard-of"})
        os.close(primary)
        os.close(secondary)
        self.assertEqual(done.returncode, 2)
        self.assertIn(b"TERM=unheard-of: this kind of terminal is not known", done.stderr)
        self.assertFalse(self.take.exists())

    def test_into_a_job(self):
        job = self.folder / "van"
        run("job", "new", os.fspath(job), "--vehicle", "bakery van", "--engine", "inline4")
        self.play()
        out, err, status = run("listen", "--job", os.fspath(job), "--seconds", "3", env=self.server.env)
        self.assertIn(status, (0, 1, 3), err)
        takes = list((job / "recordings").glob("take-*.wav"))
        self.assertEqual(len(takes), 1)
        self.assertEqual(playable(takes[0])[0], 3 * 44100)
        self.assertFalse(json.loads(out.splitlines()[-1])["running"])


program.main(*sys.argv[3:])
