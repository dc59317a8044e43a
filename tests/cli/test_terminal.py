"""Colour and the progress bar: on a terminal only."""
import os
import pty
import select
import subprocess

import program
from program import PATIENCE_S, PROGRAM, Case, run, tone


def on_terminal(*arguments, env=None):
    """Runs with standard output and standard error on a terminal; what came out there."""
    primary, secondary = pty.openpty()
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

    def test_standard_input_that_is_a_terminal(self):
        primary, secondary = pty.openpty()
        done = subprocess.run([PROGRAM, "check", "--cylinders", "4", "-"], stdin=secondary,
                              capture_output=True, timeout=PATIENCE_S, check=False)
        os.close(primary)
        os.close(secondary)
        self.assertEqual(done.returncode, 2)
        self.assertIn(b"standard input: it is a terminal", done.stderr)


program.main()
