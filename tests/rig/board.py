"""A board made of software: a Debian guest under QEMU, with its devices.

The guest is emulated, and its clock counts instructions: 1 ns for each, so it is
a board of 1000 MIPS, small but real, whatever the machine that runs it and
whatever else that machine does. When the machine is slower, the guest's time
goes slower than the wall's. So every time is taken, and every wait is made, in
the guest. `shell` runs a script in the guest as root, to its first
failure.
"""

import base64
import json
import shutil
import socket
import subprocess
import tempfile
import time
from pathlib import Path


class Failure(Exception):
    """The board did not do what was asked of it."""


class Board:
    """One power-on of the board, from `with` to its end. What it writes to its
    root disk is forgotten then, unless `keep`; with `read_only` the disk itself refuses.
    With `vesa` its screen has the firmware's mode of 16 bits a pixel, 800 by 600,
    until the driver `bochs` is loaded by hand, which makes it 600 by 800 of 32."""

    def __init__(self, base: Path, root: Path, clips: Path, data: Path, keep=False,
                 read_only=False, vesa=False):
        self.base, self.root, self.clips, self.data = base, root, clips, data
        self.access = "readonly=on" if read_only else f"snapshot={'off' if keep else 'on'}"
        self.kernel = "console=ttyS0 quiet tsc=reliable"
        self.display = "bochs-display,xres=800,yres=480"
        if vesa:
            self.kernel += " vga=0x314 modprobe.blacklist=bochs"
            self.display = "VGA,xres=600,yres=800"
        # Socket paths have a short limit, so they get a place of their own.
        self.run = Path(tempfile.mkdtemp(prefix="board-"))
        self.serial = self.run / "serial.log"
        self.sound = self.run / "sound.wav"
        self.qemu = None
        self.link = None

    def __enter__(self):
        disk = "if=virtio,format=raw,file="
        self.qemu = subprocess.Popen(
            ["qemu-system-x86_64", "-machine", "q35", "-accel", "tcg", "-icount", "shift=0,sleep=on",
             "-cpu", "max", "-smp", "1", "-m", "1536", "-nodefaults", "-no-user-config", "-no-reboot",
             "-kernel", self.base / "vmlinuz", "-initrd", self.base / "initrd.gz",
             "-append", self.kernel,
             "-drive", f"{disk}{self.root},{self.access}",
             "-drive", f"{disk}{self.clips},readonly=on",
             # What is written here is on the host's disk: a power cut keeps it.
             "-drive", f"{disk}{self.data},cache=writethrough",
             "-device", "virtio-serial-pci",
             "-chardev", f"socket,id=agent,path={self.run}/agent,server=on,wait=off",
             "-device", "virtserialport,chardev=agent,name=rig",
             "-qmp", f"unix:{self.run}/qmp,server=on,wait=off",
             "-display", "none", "-device", self.display,
             "-device", "i6300esb", "-action", "watchdog=reset",
             "-audiodev", f"wav,id=sound,path={self.sound},out.frequency=44100",
             "-device", "intel-hda",
             # A mixer would start muted, and nothing in this guest sets one.
             "-device", "hda-output,audiodev=sound,mixer=off",
             "-serial", f"file:{self.serial}"],
            stdin=subprocess.DEVNULL)
        try:
            self.link = self._connect("agent", 900)
            self.reader = self.link.makefile()
            if self.reader.readline().strip() != "up":
                raise Failure("the guest's agent did not answer")
        except BaseException:
            self.power_cut()
            raise
        return self

    def __exit__(self, *_):
        self.power_cut()
        shutil.rmtree(self.run)

    def _connect(self, name, timeout_s):
        until = time.monotonic() + 10
        while True:
            link = socket.socket(socket.AF_UNIX)
            link.settimeout(timeout_s)
            try:
                link.connect(str(self.run / name))
                return link
            except OSError:
                link.close()
                if self.qemu.poll() is not None or time.monotonic() > until:
                    raise Failure("QEMU did not start; its message stands above")
                time.sleep(0.1)

    def shell(self, script, timeout_s=900, check=True):
        """Runs a bash script in the guest; its output, standard error included."""
        self.link.settimeout(timeout_s)
        self.link.sendall(base64.b64encode(script.encode()) + b"\n")
        try:
            code, _, output = self.reader.readline().partition(" ")
        except TimeoutError:
            raise Failure(f"no answer from the guest within {timeout_s} s to: {script}")
        output = base64.b64decode(output).decode(errors="replace").rstrip("\n")
        if check and code != "0":
            raise Failure(f"exit code {code or '(guest gone)'} of: {script}\n{output}")
        return output

    def screen(self, file: Path):
        """Saves what the screen shows as PNG."""
        with self._connect("qmp", 20) as link:
            answers = link.makefile()
            for command in ({"execute": "qmp_capabilities"},
                            {"execute": "screendump",
                             "arguments": {"filename": str(file), "format": "png"}}):
                link.sendall(json.dumps(command).encode())
                while True:
                    answer = json.loads(answers.readline())
                    if "error" in answer:
                        raise Failure(answer["error"]["desc"])
                    if "return" in answer:
                        break

    def power_cut(self):
        """Ends the board as a cut of its supply would: at once."""
        if self.qemu.poll() is None:
            self.qemu.kill()
        self.qemu.wait()

    def sleep(self, seconds):
        """Waits in the guest's time."""
        self.shell(f"sleep {seconds}")

    def now(self):
        """The guest's clock, seconds since its start."""
        return float(self.shell("cut -d' ' -f1 /proc/uptime"))

    def reverse(self, on: bool):
        """Selects or leaves reverse, with a mark in the trace."""
        pull = "pull-up" if on else "pull-down"
        self.shell(f"echo 'reverse {on}' >/sys/kernel/tracing/trace_marker;"
                   f"echo {pull} >/run/lines/sim_gpio3/pull")

    def buzzer(self):
        """Level of the buzzer's line, read from the simulated chip."""
        return int(self.shell("cat /run/lines/sim_gpio5/value"))
