#!/usr/bin/env python3
"""Measures the running daemon: `daemon/benches/live.py` after `cargo build --profile dist`.

Starts Mosquitto and the binary with eight frames on one recorded
sensor at 1 Hz and prints: time to ready, dose at the signal against the dose
asked for, crossing to message at a subscriber, resident memory. With
--instructions also instructions per sample, by callgrind (valgrind); with
--traffic what the broker receives of the rig, idle and with all frames out. Linux
only; needs mosquitto and mosquitto_sub on the path; Python's own library only.
"""

import json
import os
import re
import signal
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

BINARY = Path(__file__).resolve().parents[2] / "target/dist/frameside"
FRAMES = [f"f{n}" for n in range(8)]


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def write_site(folder, port, period="1s"):
    """Steady light of 40 W/m2 for three hours, a sample a minute."""
    rows = [f"2026-06-01T{10 + m // 60:02}:{m % 60:02}:00Z,40" for m in range(180)]
    (folder / "steady.csv").write_text("time,irradiance_w_m2\n" + "\n".join(rows) + "\n")
    frames = "".join(f'[[frame]]\nname = "{f}"\nsensor = "sky"\n\n' for f in FRAMES)
    (folder / "config.toml").write_text(
        f'[rig]\nname = "bench"\ntimezone = "UTC"\n\n'
        f'[[sensor]]\nname = "sky"\nchip = "recorded"\nlight = "steady.csv"\nperiod = "{period}"\n\n{frames}'
        f'[mqtt]\nbroker = "127.0.0.1"\nport = {port}\n\n'
        f'[ledger]\npath = "ledger.sqlite"\n\n[socket]\npath = "frameside.sock"\n'
    )


class Daemon:
    def __init__(self, folder, prefix=()):
        self.folder = folder
        self.env = {**os.environ, "FRAMESIDE_CONFIG": str(folder / "config.toml")}
        self.began = time.monotonic()
        self.process = subprocess.Popen([*prefix, BINARY, "run"], env=self.env, stderr=subprocess.PIPE, text=True)
        for line in self.process.stderr:
            if "ready" in line:
                break
        self.ready_s = time.monotonic() - self.began
        threading.Thread(target=self.process.stderr.read, daemon=True).start()

    def ask(self, *args):
        done = subprocess.run([BINARY, *args, "--json"], env=self.env, capture_output=True, text=True, check=True)
        return json.loads(done.stdout)

    def stop(self):
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(timeout=20)


def signals(folder, port):
    """Expose eight frames in turn and hear their `due`."""
    due = {}
    listener = subprocess.Popen(
        ["mosquitto_sub", "-p", str(port), "-V", "mqttv5", "-t", "frameside/bench/signal"],
        stdout=subprocess.PIPE,
        text=True,
    )

    def listen():
        for line in listener.stdout:
            arrived = time.clock_gettime_ns(time.CLOCK_BOOTTIME)
            message = json.loads(line)
            if message["kind"] == "due":
                # The id ends in the instant of the crossing on the same clock.
                due[message["frame"]] = arrived - int(message["id"].rsplit("-", 1)[1])

    threading.Thread(target=listen, daemon=True).start()
    daemon = Daemon(folder)
    print(f"ready after start: {daemon.ready_s * 1000:.0f} ms")
    time.sleep(2)
    prints = {f: daemon.ask("expose", f, "--target", f"{1200 + 37 * n}J/m2") for n, f in enumerate(FRAMES)}
    deadline = time.monotonic() + 90
    while len(due) < len(FRAMES) and time.monotonic() < deadline:
        time.sleep(0.2)
    time.sleep(3)
    off = []
    for n, f in enumerate(FRAMES):
        dose = daemon.ask("show", prints[f]["print"])["dose_at_due_j_m2"]
        off.append(abs(dose / (1200 + 37 * n) - 1) * 100)
    print(f"dose at the signal, steady light, 8 prints of 30 to 37 s: off by at most {max(off):.4f} %")
    delays = sorted(ns / 1e6 for ns in due.values())
    print(f"crossing to subscriber, {len(delays)} signals: median {statistics.median(delays):.1f} ms, "
          f"worst {delays[-1]:.1f} ms")
    status = Path(f"/proc/{daemon.process.pid}/status").read_text()
    now, peak = (int(re.search(rf"{name}:\s+(\d+)", status)[1]) / 1000 for name in ("VmRSS", "VmHWM"))
    print(f"resident memory, 8 frames, 1 Hz: {now:.1f} MB, peak {peak:.1f} MB")
    daemon.stop()
    listener.kill()


def instructions(folder, port):
    """Two runs of different length; what the longer one does more is per sample."""
    counts = []
    for seconds in (10, 40):
        write_site(folder, port, period="100ms")
        for kept in folder.glob("ledger.sqlite*"):
            kept.unlink()
        out = folder / f"callgrind.{seconds}"
        daemon = Daemon(folder, ["valgrind", "-q", "--tool=callgrind", f"--callgrind-out-file={out}"])
        for f in FRAMES:
            daemon.ask("expose", f, "--target", "90000kJ/m2")
        time.sleep(seconds)
        daemon.stop()
        counts.append((samples(folder), int(re.search(r"^summary: (\d+)", out.read_text(), re.M)[1])))
    (n0, i0), (n1, i1) = counts
    print(f"instructions per sample, 8 frames, all in: {(i1 - i0) / (n1 - n0):.0f} ({n1 - n0} samples more)")


def samples(folder):
    import sqlite3

    with sqlite3.connect(folder / "ledger.sqlite") as record:
        counted = "SELECT sum(n) FROM (SELECT n FROM light UNION ALL SELECT n FROM open_light)"
        return record.execute(counted).fetchone()[0]


def traffic(folder, port):
    """What the broker receives in a minute, for an hour."""
    received, messages = [], []
    counters = [
        subprocess.Popen(["mosquitto_sub", "-p", str(port), "-t", topic], stdout=subprocess.PIPE, text=True)
        for topic in ("$SYS/broker/bytes/received", "frameside/#")
    ]

    def count():
        for line in counters[0].stdout:
            received.append((time.monotonic(), int(line)))

    threading.Thread(target=count, daemon=True).start()
    threading.Thread(target=messages.extend, args=(counters[1].stdout,), daemon=True).start()
    write_site(folder, port)
    daemon = Daemon(folder)
    for what in ("idle", "eight frames out"):
        if what != "idle":
            for f in FRAMES:
                daemon.ask("expose", f, "--target", "90000kJ/m2")
        # The broker tells its bytes each 10 s.
        time.sleep(25)
        (began, bytes_before), messages_before = received[-1], len(messages)
        time.sleep(60)
        (ended, bytes_after), messages_after = received[-1], len(messages)
        per_hour = (bytes_after - bytes_before) * 3600 / (ended - began) / 1e6
        print(f"to the broker per hour, {what}: {(messages_after - messages_before) * 60} messages, {per_hour:.2f} MB")
    daemon.stop()
    for counter in counters:
        counter.kill()


def main():
    with tempfile.TemporaryDirectory() as name:
        folder, port = Path(name), free_port()
        broker = subprocess.Popen(["mosquitto", "-p", str(port)], stderr=subprocess.DEVNULL)
        time.sleep(0.5)
        try:
            write_site(folder, port)
            signals(folder, port)
            if "--traffic" in sys.argv:
                traffic(folder, port)
            if "--instructions" in sys.argv:
                instructions(folder, port)
        finally:
            broker.kill()


main()
