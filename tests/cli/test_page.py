"""pipebeat page: writes the built page out, and says what to do when it was not built."""
import os
import shutil
import subprocess

import program
from program import PROGRAM, Case, run


class Page(Case):
    def beside(self, page):
        """The program in a folder of its own with that page beside it, or none."""
        copy = self.folder / "bin" / "pipebeat"
        copy.parent.mkdir()
        shutil.copy(PROGRAM, copy)
        if page is not None:
            (copy.parent / "pipebeat.html").write_text(page, encoding="utf-8")
        return copy

    def call(self, copy, *arguments):
        done = subprocess.run([copy, "page", *arguments], capture_output=True, timeout=30, check=False)
        return done.returncode, done.stderr.decode()

    def test_it_writes_the_page_that_was_built(self):
        page = "<!DOCTYPE html>\n<html></html>\n"
        target = self.folder / "out.html"
        self.assertEqual(self.call(self.beside(page), "-o", target), (0, ""))
        self.assertEqual(target.read_text(encoding="utf-8"), page)

    def test_a_page_that_was_not_built(self):
        status, err = self.call(self.beside(None), "-o", self.folder / "out.html")
        self.assertEqual(status, 2)
        self.assertIn("was not built; install emscripten", err)
        self.assertEqual(err.count("\n"), 1)
        self.assertFalse((self.folder / "out.html").exists())

    def test_half_a_page(self):
        status, err = self.call(self.beside("<!DOCTYPE html>"), "-o", self.folder / "out.html")
        self.assertEqual(status, 2)
        self.assertIn("damaged", err)

    def test_what_to_do_must_be_said(self):
        self.refused("page", says=["-o FILE", "--serve"])
        self.refused("page", "-o", os.fspath(self.folder / "a.html"), "--serve", says=["-o FILE"])
        self.refused("page", "--serve", "--port", "70000", says=["--port"])

    def test_a_port_that_is_taken(self):
        copy = self.beside("<html></html>\n")
        first = subprocess.Popen([copy, "page", "--serve", "--port", "0"], stdout=subprocess.PIPE)
        try:
            port = first.stdout.readline().decode().split("127.0.0.1:")[1].split("/")[0]
            status, err = self.call(copy, "--serve", "--port", port)
            self.assertEqual(status, 2)
            self.assertIn(f"port {port}", err)
        finally:
            first.terminate()
            self.assertEqual(first.wait(timeout=10), 0)
            first.stdout.close()


program.main()
