"""A sound server of its own, so that pipebeat can record from something real without a sound card.

PulseAudio runs in a folder of its own with a null sink; what is played into the sink is recorded
from the sink's monitor, through ALSA's pulse plugin, as from any microphone.
"""
import os
import pathlib
import subprocess
import tempfile
import time

ALSA = """\
</usr/share/alsa/alsa.conf>
pcm.!default { type pulse device "exhaust.monitor" hint { show on description "Exhaust" } }
ctl.!default { type pulse }
"""


class SoundServer:
    """Use with `with`. `env` is the environment for programs that play or record."""

    def __init__(self, rate=48000):
        self._holder = tempfile.TemporaryDirectory(prefix="pipebeat-sound-")
        self.folder = pathlib.Path(self._holder.name)
        self.socket = self.folder / "socket"
        (self.folder / "asound.conf").write_text(ALSA, encoding="ascii")
        self.env = {k: v for k, v in os.environ.items() if not k.startswith("PULSE_")} | {
            "HOME": os.fspath(self.folder), "XDG_RUNTIME_DIR": os.fspath(self.folder),
            "XDG_CONFIG_HOME": os.fspath(self.folder), "PULSE_SERVER": f"unix:{self.socket}",
            "ALSA_CONFIG_PATH": os.fspath(self.folder / "asound.conf")}
        self._log = (self.folder / "server.log").open("w", encoding="utf-8")
        self._server = subprocess.Popen(
            ["pulseaudio", "-n", "--daemonize=no", "--exit-idle-time=-1", "--use-pid-file=no",
             "--disallow-exit=no", "--high-priority=no", "--realtime=no", "--log-target=stderr",
             "-L", f"module-native-protocol-unix socket={self.socket} auth-anonymous=1",
             "-L", f"module-null-sink sink_name=exhaust rate={rate} channels=1 format=float32le"],
            env={k: v for k, v in self.env.items() if k != "PULSE_SERVER"},
            stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            stderr=self._log)
        deadline = time.monotonic() + 60
        while subprocess.run(["pactl", "info"], env=self.env, capture_output=True,
                             check=False).returncode != 0:
            if self._server.poll() is not None or time.monotonic() > deadline:
                log = (self.folder / "server.log").read_text(encoding="utf-8", errors="replace")
                self.close()
                raise RuntimeError(f"the sound server did not start:\n{log}")
            time.sleep(0.1)

    def play(self, recording):
        """Starts playing a recording; the process ends with the sound."""
        return subprocess.Popen(["paplay", "--device=exhaust", "--latency-msec=50",
                                 os.fspath(recording)], env=self.env, stdin=subprocess.DEVNULL,
                                stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    def stop(self):
        """The server is gone, as a microphone that is pulled."""
        if self._server.poll() is None:
            self._server.kill()
        self._server.wait()

    def close(self):
        self.stop()
        self._log.close()
        self._holder.cleanup()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()
