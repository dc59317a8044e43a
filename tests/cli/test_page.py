"""pipebeat page: writes the built page out, and says what to do when it was not built."""
import contextlib
import os
import shutil
import socket
import subprocess

import program
from program import PATIENCE_S, PROGRAM, Case, run


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
        done = subprocess.run([copy, "page", *arguments], capture_output=True, timeout=PATIENCE_S, check=False)
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

    def serve(self, copy):
        server = subprocess.Popen([copy, "page", "--serve", "--port", "0"], stdout=subprocess.PIPE)
        self.addCleanup(server.stdout.close)
        self.addCleanup(server.wait, timeout=PATIENCE_S)
        self.addCleanup(server.terminate)
        return int(server.stdout.readline().decode().split("127.0.0.1:")[1].split("/")[0])

    def ask(self, port, request):
        with socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S) as client:
            with contextlib.suppress(OSError):  # it may have hung up already
                client.sendall(request.encode("latin-1"))
                client.shutdown(socket.SHUT_WR)
            answer = b""
            # Who sends more than anybody asks for is cut off.
            with contextlib.suppress(ConnectionError):
                while part := client.recv(65536):
                    answer += part
        return answer.decode("latin-1")

    def test_only_this_machine_and_only_by_its_own_names(self):
        port = self.serve(self.beside("<!DOCTYPE html>\n<html></html>\n"))
        for host in (f"127.0.0.1:{port}", f"localhost:{port}", f"LOCALHOST:{port}"):
            answer = self.ask(port, f"GET / HTTP/1.1\r\nHost: {host}\r\n\r\n")
            self.assertTrue(answer.startswith("HTTP/1.1 200 "), answer)
            self.assertTrue(answer.endswith("<html></html>\n"))
        # A name that somebody else made point here (DNS rebinding) gets nothing.
        for headers in ("Host: evil.example", f"Host: evil.example:{port}", "Host: 127.0.0.1", "Host:", "",
                        f"Host: localhost:{port}\r\nHost: evil.example", f"Host: localhost:{port}.evil.example",
                        f"X-Host: localhost:{port}"):
            answer = self.ask(port, f"GET / HTTP/1.1\r\n{headers}\r\n\r\n")
            self.assertTrue(answer.startswith("HTTP/1.1 421 "), (headers, answer))
            self.assertNotIn("<html>", answer)
        with self.assertRaises(OSError):
            # Another address of this machine's loopback network is not listened to, nor is any other.
            socket.create_connection(("127.0.0.2", port), timeout=2).close()

    def test_requests_that_are_none(self):
        port = self.serve(self.beside("<html></html>\n"))
        host = f"Host: localhost:{port}\r\n\r\n"
        for request, status in (("POST / HTTP/1.1\r\n", 405), ("GET /../../etc/passwd HTTP/1.1\r\n", 404),
                                ("GET /%2e%2e/ HTTP/1.1\r\n", 404), ("GET\r\n", 405), ("\x00\xff\r\n", 405)):
            self.assertTrue(self.ask(port, request + host).startswith(f"HTTP/1.1 {status} "), request)
        self.assertEqual(self.ask(port, "GET / HTTP/1.1\r\nX: " + "x" * 40_000), "")
        self.assertTrue(self.ask(port, "GET / HTTP/1.1\r\n" + host).startswith("HTTP/1.1 200 "))

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
            self.assertEqual(first.wait(timeout=PATIENCE_S), 0)
            first.stdout.close()


program.main()
