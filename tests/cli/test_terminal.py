"""Colour and the progress bar: on a terminal only."""
import fcntl
import os
import pty
import select
import struct
import subprocess
import termios

import program
from program import PATIENCE_S, PROGRAM, SOURCE, Case, run, tone

VAN = str(SOURCE / "samples" / "van-before.flac")
AFTER = str(SOURCE / "samples" / "van-after.flac")


def on_terminal(*arguments, env=None, columns=0):
    """Runs with standard output and standard error on a terminal; what came out there."""
    primary, secondary = pty.openpty()
    fcntl.ioctl(secondary, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    environment = {k: v for k, v in os.environ.items() if k != "NO_COLOR"} | (env or {})
    with subprocess.Popen([PROGRAM, *arguments], stdin=subprocess.DEVNULL, stdout=secondary,
                          stderr=secondary, env=environment) as process:
        os.close(secondary)
        shown = b""
        while select.select([primary], [], [], PATIENCE_S)[0]:
            try:
                part = os.read(primary, 65536)
            except OSError:  # the last writer is gone
                break
            if not part:
                break
            shown += part
        process.wait(PATIENCE_S)
    os.close(primary)
    return shown.decode()


class Terminal(Case):
    def test_colour_only_on_a_terminal(self):
        path = tone(self.folder / "a.wav")
        self.assertIn("\x1b[1;33mNo answer: ", on_terminal("check", "--cylinders", "4", path))
        self.assertNotIn("\x1b", run("check", "--cylinders", "4", path)[0])

    def test_no_color_is_honoured(self):
        path = tone(self.folder / "a.wav")
        four = ("check", "--cylinders", "4", path)
        self.assertNotIn("\x1b", on_terminal(*four, env={"NO_COLOR": "1"}))
        self.assertIn("\x1b", on_terminal(*four, env={"NO_COLOR": ""}))

    def test_json_has_no_colour(self):
        path = tone(self.folder / "a.wav")
        self.assertNotIn("\x1b", on_terminal("check", "--cylinders", "4", "--json", path))

    def test_a_progress_bar_for_long_recordings_on_a_terminal(self):
        long = tone(self.folder / "long.wav", seconds=61.0)
        short = tone(self.folder / "short.wav", seconds=5.0)
        self.assertIn("listening [", on_terminal("check", "--cylinders", "4", long))
        self.assertNotIn("listening [", on_terminal("check", "--cylinders", "4", short))
        out, err, _ = run("check", "--cylinders", "4", long)
        self.assertNotIn("listening", out + err)

    def test_the_layouts_fit_a_terminal_as_it_opens(self):
        shown = on_terminal("engines").replace("\r\n", "\n").splitlines()
        self.assertEqual([line for line in shown if len(line) > 80], [])
        self.assertEqual([line.split()[0] for line in shown if not line.startswith(" ")][1:],
                         [line.split()[0] for line in run("engines")[0].splitlines()[1:]])
        self.assertTrue(any("one bank heard: 1,2,3,4" in line for line in shown), shown)

    def test_lines_fit_the_terminal(self):
        """But for commands, which are copied in one piece, and names that are wider."""
        job = str(self.folder / "van")
        run("job", "new", job, "--vehicle", "the bakery's van with the long wheelbase", "--engine", "inline4")
        run("check", "--job", job, VAN)
        run("job", "read", job, "--cylinder", "3", "--arcing", "yes", "--lead-resistance", "5Mohm")
        four = ("--engine", "inline4")
        uncut = (job, os.path.dirname(VAN), "Usage: ", "Example: pipebeat", "pipebeat job read", "  pipebeat ")
        for columns in (40, 60, 200):
            for words in (("check", *four, VAN), ("compare", *four, VAN, AFTER), ("job", "show", job), ("job", "next", job),
                          ("job", "gap", "20mm", "--points"), ("engines",), ("check", "--help"), ("listen", "--help"),
                          ("droptest", "--help"), ("--help",), ("job", "read", "--help"),
                          ("check", *four, "no such file, for the name was typed wrongly.wav"),
                          ("check", "--cylinders", "4", "--order", "1-3-4-4", VAN)):
                shown = on_terminal(*words, columns=columns, env={"NO_COLOR": "1"}).replace("\r\n", "\n")
                self.assertGreater(len(shown), 20, words)
                for line in shown.splitlines():
                    if not any(part in line for part in uncut):
                        self.assertLessEqual(len(line), min(columns, 80), (words, columns, line))

    def test_a_pipe_has_lines_as_ever(self):
        for words in (("check", "--engine", "inline4", VAN), ("job", "gap", "8mm")):
            plain = run(*words)[0]
            self.assertEqual(plain, run(*words, env={"COLUMNS": "40"})[0])
            self.assertGreater(max(map(len, plain.splitlines())), 60)
        self.refused("check", "--cylinders", "4", str(self.folder / "there is no such file, however narrow.wav"))

    def test_the_progress_bar_is_drawn_over_itself(self):
        long = tone(self.folder / "long.wav", seconds=61.0)
        shown = on_terminal("check", "--cylinders", "4", long, columns=40)
        bars = [part for part in shown.split("\r") if part.startswith("listening [")]
        self.assertTrue(bars)
        self.assertLess(max(map(len, bars)), 40)

    def test_standard_input_that_is_a_terminal(self):
        primary, secondary = pty.openpty()
        done = subprocess.run([PROGRAM, "check", "--cylinders", "4", "-"], stdin=secondary,
                              capture_output=True, timeout=PATIENCE_S, check=False)
        os.close(primary)
        os.close(secondary)
        self.assertEqual(done.returncode, 2)
        self.assertIn(b"standard input: it is a terminal", done.stderr)


program.main()
