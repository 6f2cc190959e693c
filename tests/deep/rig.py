"""A rig in made-up light at a real broker, and everything that is published there."""

import json
import pathlib
import signal
import socket
import subprocess
import tempfile
import threading
import time

SOON_S = 30


class Rig:
    """The real daemon with a Mosquitto of its own; all messages of the broker are kept."""

    def __init__(self, program, sensors, frames):
        """`frames` are pairs of a name and a label or None; all lie beside the first sensor."""
        self.program = program
        self.sensors = sensors
        self.frames = frames
        self.messages = []  # (topic, payload), as they came
        self.running = []
        self.news = threading.Condition()

    def __enter__(self):
        self.folder = tempfile.TemporaryDirectory()
        self.at = pathlib.Path(self.folder.name)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        (self.at / "light.csv").write_text(
            "time,irradiance_w_m2\n2026-06-01T10:00:00Z,40\n2026-06-01T16:00:00Z,40\n"
        )
        (self.at / "config.toml").write_text(self.config())
        (self.at / "mosquitto.conf").write_text(
            f"listener {self.port} 127.0.0.1\npersistence false\nallow_anonymous true\nuser root\n"
        )
        self.start(["mosquitto", "-c", self.at / "mosquitto.conf"])
        listening = ["mosquitto_sub", "-V", "5", "-p", str(self.port), "-q", "1", "-v", "-t", "#"]
        self.keep(self.connected(listening))
        self.start([self.program, "run", "--config", self.at / "config.toml"])
        self.wait("the rig to be online", lambda: "online" in self.on("frameside/yard/availability"))
        return self

    def __exit__(self, *_):
        for process in reversed(self.running):
            process.send_signal(signal.SIGTERM)
            process.wait(SOON_S)
        self.folder.cleanup()

    def config(self):
        text = '[rig]\nname = "yard"\ntimezone = "Europe/Zurich"\n'
        for name in self.sensors:
            text += f'[[sensor]]\nname = "{name}"\nchip = "emulated:as7331"\n'
            text += 'light = "light.csv"\nspeed = 60\n'
        for name, label in self.frames:
            text += f'[[frame]]\nname = "{name}"\nsensor = "{self.sensors[0]}"\n'
            text += f"label = {json.dumps(label, ensure_ascii=False)}\n" if label else ""
        text += f'[mqtt]\nbroker = "127.0.0.1"\nport = {self.port}\ndiscovery = "device"\n'
        return text + '[ledger]\npath = "ledger.sqlite"\n[socket]\npath = "frameside.sock"\n'

    def start(self, command, **pipes):
        log = (self.at / "log").open("ab")
        process = subprocess.Popen(command, stderr=log, **{"stdout": log, **pipes})
        self.running.append(process)
        return process

    def connected(self, listening):
        """The listener that the broker took; it starts in its own time."""
        end = time.monotonic() + SOON_S
        while time.monotonic() < end:
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
                return self.start(listening, stdout=subprocess.PIPE)
            except OSError:
                time.sleep(0.05)
        raise TimeoutError("the broker does not answer")

    def keep(self, listener):
        def each_line():
            for line in listener.stdout:
                topic, _, payload = line.decode().rstrip("\n").partition(" ")
                with self.news:
                    self.messages.append((topic, payload))
                    self.news.notify_all()

        threading.Thread(target=each_line, daemon=True).start()

    def on(self, topic):
        """The payloads that came on a topic."""
        return [payload for at, payload in list(self.messages) if at == topic]

    def announced(self):
        """What home automation was told: (topic, payload)."""
        return [m for m in list(self.messages) if m[0].startswith("homeassistant/")]

    def wait(self, what, is_so):
        end = time.monotonic() + SOON_S
        with self.news:
            while not is_so():
                if not self.news.wait(end - time.monotonic()) and time.monotonic() > end:
                    log = (self.at / "log").read_text()
                    raise TimeoutError(f"waited {SOON_S} s in vain for {what}; the rig's log:\n{log}")

    def wait_for_state(self, frame, what, is_so):
        """Waits until the newest state of a frame is so."""
        topic = f"frameside/yard/frame/{frame}/state"
        self.wait(f"{frame} to be {what}", lambda: is_so(json.loads(self.on(topic)[-1])))

    def publish(self, topic, payload):
        subprocess.run(
            ["mosquitto_pub", "-V", "5", "-p", str(self.port), "-q", "1", "-t", topic, "-m", payload],
            check=True,
        )

    def frameside(self, *arguments):
        subprocess.run(
            [self.program, *arguments, "--config", self.at / "config.toml"],
            check=True,
            stdout=subprocess.DEVNULL,
        )
