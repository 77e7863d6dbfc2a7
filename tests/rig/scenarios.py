"""Tries what a true board would go through. Started by tests/rig/run.

All times are the guest's own, stamped by its kernel; see board.py.
"""

import array
import csv
import hashlib
import json
import math
import re
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from announced import pulses, sound_of, story
from board import Board, Failure

HERE = Path(__file__).resolve().parent
# What tests/rig/guest/camera sets: 1 MHz for 800 by 494 pixels.
CAMERA_RATE = "1000000/395200"
CAMERA_HZ = 1000000 / 395200
FRAME_BYTES = len("FRAME\n") + 640 * 480 * 2  # of its films
MOVES_S = 5.0  # when the vehicle of approach.toml moves off
CLIPS = ("approach", "shunting")
SCENARIOS = {}


def scenario(function):
    SCENARIOS[function.__name__.replace("_", "-")] = function
    return function


def expect(holds, what):
    if not holds:
        raise Failure(what)


def run(*command):
    subprocess.run([str(word) for word in command], check=True, stdin=subprocess.DEVNULL)


def disk(image: Path, mib: int, tree=None, owner="0:0"):
    image.unlink(missing_ok=True)
    run("mke2fs", "-q", "-t", "ext4", "-E", f"root_owner={owner}",
        *(["-d", tree] if tree else []), image, f"{mib}M")


class Rig:
    """What all scenarios work with."""

    def __init__(self, base: Path, program: Path):
        self.base, self.program = base, program
        self.root, self.clips, self.data = (base / f"{name}.img" for name in ("root", "clips", "data"))

    def board(self, **how):
        return Board(self.base, self.root, self.clips, self.data, **how)

    def empty_data(self):
        disk(self.data, 128, owner=self.owner)

    def prepare(self):
        """Fits the program into the guest; stages, replays and unpacks the clips."""
        raw = self.base / "raw"
        shutil.rmtree(raw, ignore_errors=True)
        raw.mkdir()
        for name in CLIPS:
            clip, scene = self.base / name, HERE / f"{name}.toml"
            # Rendering takes minutes; remove the folder to have it done anew.
            made = (clip / "clip.toml").stat().st_mtime if clip.exists() else 0
            if made < max(file.stat().st_mtime for file in (scene, HERE / "board.toml")):
                run(self.program, "stage", scene, "--out", clip)
            # Byte for byte what the camera will show, at its rate, is what is replayed.
            film = self.base / f"{name}.y4m"
            run("ffmpeg", "-loglevel", "error", "-y", "-r", CAMERA_RATE, "-i", next(clip.glob("*.avi")),
                "-pix_fmt", "yuv422p", "-color_range", "tv", film)
            run(self.program, "replay", film, "--profile", HERE / "board.toml",
                "--out", self.base / f"{name}-replay")
            run("ffmpeg", "-loglevel", "error", "-y", "-i", film,
                "-pix_fmt", "yuyv422", "-f", "rawvideo", raw / f"{name}.yuyv")
        disk(self.clips, 96, raw)
        shutil.rmtree(raw)

        fitted = self.base / "fitted"
        shutil.rmtree(fitted, ignore_errors=True)
        run("cp", "-a", self.base / "tree", fitted)
        fit(fitted, self.program)
        disk(self.root, 500, fitted)
        users = (line.split(":") for line in (fitted / "etc/passwd").read_text().split("\n"))
        self.owner = next(f"{user[2]}:{user[3]}" for user in users if user[0] == "hindward")
        shutil.rmtree(fitted)
        self.empty_data()


def fit(tree: Path, program: Path):
    """Installs what a user would install, and the stand-ins for the devices."""
    shutil.rmtree(tree / "opt/rig", ignore_errors=True)
    shutil.copytree(HERE / "guest", tree / "opt/rig")
    for name in ("agent", "devices"):
        shutil.move(tree / f"opt/rig/{name}.service", tree / f"etc/systemd/system/rig-{name}.service")
    config = HERE.parent.parent / "config"
    shutil.copy(program, tree / "usr/bin/hindward")
    (tree / "etc/hindward").mkdir()
    shutil.copy(HERE / "board.toml", tree / "etc/hindward/profile.toml")
    shutil.copy(config / "hindward.service", tree / "etc/systemd/system")
    shutil.copy(config / "hindward.sysusers", tree / "usr/lib/sysusers.d/hindward.conf")
    shutil.copy(config / "hindward.tmpfiles", tree / "usr/lib/tmpfiles.d/hindward.conf")
    for rules in config.glob("*.rules"):
        shutil.copy(rules, tree / "etc/udev/rules.d")
    shutil.move(tree / "opt/rig/99-rig.rules", tree / "etc/udev/rules.d")
    run("chroot", tree, "systemd-sysusers")
    run("chroot", tree, "systemctl", "-q", "enable",
        "hindward.service", "rig-agent.service", "rig-devices.service")


# ---- what is read from the guest


def wait_for(board, what, test, limit_s):
    """Asks until `test` holds; seconds it took."""
    began = board.now()
    while not test():
        if board.now() - began > limit_s:
            raise Failure(f"{what}: not within {limit_s} s")
        board.sleep(0.2)
    return board.now() - began


def mark(board, text, also=""):
    """Puts a mark into the trace, right before `also` is done."""
    board.shell(f"echo '{text}' >/sys/kernel/tracing/trace_marker\n{also}")


def trace(board):
    """Marks [(time_s, text)] and buzzer levels [(time_s, on)] since the last call,
    and the time now."""
    text = board.shell("cut -d' ' -f1 /proc/uptime; cat /sys/kernel/tracing/trace; "
                       "echo >/sys/kernel/tracing/trace")
    now, *lines = text.split("\n")
    marks, levels = [], []
    for line in lines:
        if found := re.search(r"([0-9.]+): tracing_mark_write: (.*)", line):
            marks.append((float(found[1]), found[2]))
        elif found := re.search(r"([0-9.]+): gpio_value: (\d+) set ([01])", line):
            # gpio-sim has 8 lines, numbered from a multiple of 8.
            if int(found[2]) % 8 == 5:
                levels.append((float(found[1]), found[3] == "1"))
    return marks, levels, float(now)


def heard(board, seconds):
    """The sounds of the last whole pulses, listening for some seconds from now."""
    trace(board)
    board.sleep(seconds)
    _, levels, now = trace(board)
    if not levels:
        return ["DANGER"] if board.buzzer() else []
    # One that began before is not in the list: of it only the end was heard.
    whole = pulses(levels, now)[:-1 if levels[-1][1] else None]
    return [sound_of(length) for _, length in whole]


def devices_up(board):
    """The guest answers before its devices are there."""
    def up():
        state = board.shell("systemctl is-active rig-devices.service || true")
        expect(state != "failed", board.shell("journalctl -u rig-devices.service -o cat --no-pager"))
        return state == "active"

    wait_for(board, "the guest's devices", up, 60)


def unit(board, what):
    return board.shell(f"systemctl show hindward.service -P {what}")


def stand_before_bin(board):
    """Reverse selected, the bin 1.0 m behind, the WARNING of it heard."""
    board.shell("systemctl start hindward.service; [ -c /dev/video0 ] || /opt/rig/camera plug;"
                "/opt/rig/camera stop; /opt/rig/camera loop /clips/shunting.yuyv")
    board.reverse(True)
    bin_heard(board, "reverse before the bin")


def bin_heard(board, what, limit_s=30):
    """Seconds until the WARNING of the bin is heard."""
    sounds = []

    def warned():
        sounds[:] = heard(board, 2)
        return sounds.count("WARNING") >= 3

    try:
        return wait_for(board, f"WARNING after {what}", warned, limit_s)
    except Failure as failure:
        said = board.shell("journalctl -u hindward.service -o short-monotonic --no-pager | tail -12")
        raise Failure(f"{failure}; heard last: {' '.join(sounds) or 'nothing'}\n{said}")


# ---- the scenarios; each returns what it measured


@scenario
def start(rig, board):
    """The unit comes up at boot and is ready after its first verdict."""
    wait_for(board, "unit active", lambda: unit(board, "ActiveState") == "active", 120)
    begun = int(unit(board, "ExecMainStartTimestampMonotonic"))
    ready = int(unit(board, "ActiveEnterTimestampMonotonic"))
    took = (ready - begun) / 1e6
    expect(took <= 2, f"ready {took:.2f} s after its start; 2 s allowed")
    return f"ready {took:.2f} s after the process began, {ready / 1e6:.1f} s after the kernel"


@scenario
def sandbox(rig, board):
    """What the running unit exposes, as the guest's own service manager counts it."""
    told = board.shell("systemd-analyze security --no-pager hindward.service | tail -1")
    level = re.search(r"hindward\.service: ([0-9.]+)", told)
    expect(level and float(level[1]) <= 1.5, f"exposure of 1.5 allowed: {told}")
    return f"exposure {level[1]}"


@scenario
def no_signal(rig, board):
    """Before a signal comes the camera shows snow: never told as clear, from boot on."""
    board.shell("/opt/rig/camera stop")
    board.reverse(True)
    # The start at boot is one of the five; let it come to its verdict.
    board.sleep(3)
    fault = fault_after(board, "started without a signal", "systemctl restart hindward.service")
    board.reverse(False)
    for _ in range(3):
        board.shell("systemctl restart hindward.service; sleep 3")
    said = board.shell("journalctl -u hindward.service -o cat --no-pager | "
                       "grep -oE 'INFO (clear|cannot tell: .*|[A-Z]+ obstacle.*)' | sort | uniq -c")
    expect("clear" not in said and "obstacle" not in said, f"it told of snow:\n{said}")
    told = re.search(r"(\d+) INFO cannot tell: broken", said)
    expect(told and int(told[1]) >= 5, f"not each start told of it:\n{said}")
    return f"five starts, none clear; fault {fault:.2f} s after a start in reverse"


@scenario
def busy(rig, board):
    """Started once more by hand: it says who has its devices, and takes none away."""
    before = unit(board, "MainPID")
    said = board.shell("! hindward run /etc/hindward/profile.toml --self-test")
    for fault in ("camera: /dev/video0: in use by another program",
                  "buzzer: /dev/gpiochip0 line 5: in use by hindward buzzer",
                  "reverse: /dev/gpiochip0 line 3: in use by hindward reverse"):
        expect(f"FAULT {fault}" in said, f"it does not say {fault!r}:\n{said}")
    expect(unit(board, "MainPID") == before, "the service did not live through it")
    return "camera and both lines are said to be in use"


@scenario
def reverse_selected(rig, board):
    """Already running; reverse is selected before a bin: how long to the sound?"""
    board.reverse(False)
    board.shell("/opt/rig/camera stop; /opt/rig/camera loop /clips/shunting.yuyv")
    board.sleep(5)
    trace(board)
    board.reverse(True)
    board.sleep(5)
    marks, levels, now = trace(board)
    selected = marks[0][0]
    expect(not any(on for at, on in levels if at < selected), "it sounded before reverse was selected")
    first = next((at for at, length in pulses(levels, now)
                  if at > selected and sound_of(length) == "WARNING"), None)
    expect(first is not None, "no WARNING within 5 s of reverse")
    took = first - selected
    expect(took <= 0.3, f"WARNING {took:.2f} s after reverse; 0.3 s allowed")
    return f"WARNING {took:.2f} s after reverse"


@scenario
def approach(rig, board):
    """The buzzer tells the same story as replay does of the same pictures."""
    board.shell("systemctl stop hindward.service; /opt/rig/camera stop; cat /clips/approach.yuyv >/dev/null")
    board.reverse(True)
    trace(board)
    # Started while the vehicle stands, so that it has seen nothing but the clip.
    mark(board, "clip begins", "/opt/rig/camera feed /clips/approach.yuyv; systemctl start hindward.service")
    board.shell("while pgrep -f stream-from >/dev/null; do sleep 0.1; done; "
                "echo 'clip ends' >/sys/kernel/tracing/trace_marker")
    marks, levels, _ = trace(board)
    # Before anything is judged: what comes next must not inherit its state.
    board.shell("systemctl stop hindward.service")
    ends = marks[-1][0]
    begins = ends - film_frames(rig.base / "approach.y4m") / CAMERA_HZ
    seen = board.shell("journalctl -u hindward.service -o short-monotonic --no-pager | grep not-yet | tail -1")
    # What replay is shown begins where the board began: with what went before, the
    # segmenter would know the ground better.
    missed = int((float(seen.strip("[ ").split("]")[0]) - begins) * CAMERA_HZ)
    expect(0 < missed < MOVES_S * CAMERA_HZ, f"the board began at picture {missed}: not while the vehicle stood")
    cut_film(rig.base / "approach.y4m", rig.base / "seen.y4m", missed)
    run(rig.program, "replay", rig.base / "seen.y4m", "--profile", HERE / "board.toml",
        "--out", rig.base / "approach-replay")
    with open(rig.base / "approach-replay/edges.csv", newline="") as file:
        rows = [(float(row["time_s"]) + begins + missed / CAMERA_HZ, row["on"] == "1")
                for row in csv.DictReader(file)]
    moves = begins + MOVES_S
    told, meant = ([at for at in story(edges, ends) if at[0] >= moves] for edges in (levels, rows))
    expect(len(meant) >= 3, f"replay announces {meant}; the scene is of no use")
    expect([s for _, s in told] == [s for _, s in meant],
           f"board announced {told}, replay {meant}")
    shifts = [at - due for (at, _), (due, _) in zip(told, meant)]
    shift = statistics.median(shifts)
    worst = max(abs(one - shift) for one in shifts)
    expect(worst <= 0.5, f"an announcement is {worst:.2f} s off replay's; 0.5 s allowed: "
                         f"board announced {told}, replay {meant}")
    pace = board.shell("journalctl -u hindward.service -o cat --no-pager | "
                       "grep -oE '[0-9]+ (verdicts|timed edges),[^;]*' | tail -2").replace("\n", "; ")
    return (f"{' '.join(s for _, s in told)}: as replay, {shift:+.2f} s from its times, "
            f"each within {worst:.2f} s of that; of {film_frames(rig.base / 'seen.y4m')} pictures {pace}")


def film_frames(film: Path):
    return film.stat().st_size // FRAME_BYTES


def cut_film(film: Path, to: Path, frames):
    """A Y4M film without its first frames."""
    with open(film, "rb") as old, open(to, "wb") as new:
        new.write(old.readline())
        old.seek(frames * FRAME_BYTES, 1)
        shutil.copyfileobj(old, new)


@scenario
def camera_unplugged(rig, board):
    """The camera goes and comes back: the fault is heard, then the bin again."""
    stand_before_bin(board)
    fault = fault_after(board, "unplugged", "/opt/rig/camera unplug")
    board.shell("/opt/rig/camera stop; /opt/rig/camera plug; /opt/rig/camera loop /clips/shunting.yuyv")
    back = bin_heard(board, "the camera is back")
    return f"fault after {fault:.2f} s; judged again {back:.0f} s after it was back"


def fault_after(board, what, how, listen_s=6):
    """Seconds from `how` being done to the fault's sound."""
    trace(board)
    mark(board, what, how)
    board.sleep(listen_s)
    marks, levels, now = trace(board)
    begun = marks[0][0]
    fault = next((at for at, length in pulses(levels, now)
                  if at > begun and sound_of(length) == "fault"), None)
    expect(fault is not None, f"no fault sound within {listen_s} s of: {what}")
    return fault - begun


@scenario
def camera_silent(rig, board):
    """The camera is there and gives no pictures, as a grabber without a signal: a fault
    and no reason to start again, also when it is so from the start."""
    stand_before_bin(board)
    give = "v4l2-ctl -d /dev/video0 -c percentage_of_dropped_buffers="
    before = unit(board, "MainPID")
    fault = fault_after(board, "silent", give + "100", 8)
    expect(unit(board, "MainPID") == before, "it was started again")
    board.shell("systemctl restart hindward.service")
    before = unit(board, "MainPID")
    sounds = heard(board, 8)
    expect("fault" in sounds, f"no fault sound after a start without pictures: {sounds}")
    expect(unit(board, "MainPID") == before, "after a start without pictures, it was started again")
    board.shell(give + "0")
    back = bin_heard(board, "the first picture")
    return f"fault after {fault:.2f} s, never started again; judged again {back:.0f} s after the first picture"


@scenario
def camera_late(rig, board):
    """The program starts before the camera's driver is there at all."""
    board.shell("systemctl stop hindward.service; /opt/rig/camera stop; /opt/rig/camera unplug;"
                "modprobe -r vivid videobuf2_memops videodev; ! grep video4linux /proc/devices && "
                "systemctl start hindward.service")
    board.reverse(True)
    board.sleep(2)
    board.shell("/opt/rig/camera plug; /opt/rig/camera loop /clips/shunting.yuyv")
    try:
        late = bin_heard(board, "the camera's driver came", 20)
    finally:
        board.shell("systemctl restart hindward.service")
    return f"judged within {late:.0f} s of the driver's coming"


@scenario
def camera_frozen(rig, board):
    """The camera repeats one picture for ever: the fault is heard."""
    stand_before_bin(board)
    fault = fault_after(board, "frozen", "/opt/rig/camera freeze")
    board.shell("/opt/rig/camera thaw")
    back = bin_heard(board, "the thaw")
    return f"fault after {fault:.2f} s; judged again {back:.0f} s after the thaw"


@scenario
def hung(rig, board):
    """The program stops dead: the watchdog quiets the line and starts it anew."""
    stand_before_bin(board)
    before = int(unit(board, "NRestarts"))
    trace(board)
    mark(board, "hung", "systemctl kill -s STOP hindward.service")
    wait_for(board, "restart by the watchdog", lambda: int(unit(board, "NRestarts")) > before, 60)
    result = board.shell("journalctl -u hindward.service -o cat | grep -c 'Watchdog timeout' || true")
    expect(int(result) > 0, "restarted, but not by the watchdog")
    wait_for(board, "active again", lambda: unit(board, "ActiveState") == "active", 60)
    marks, levels, _ = trace(board)
    again = next(at for at, on in levels if on and at > marks[0][0] + 1)
    bin_heard(board, "it was started again")
    return f"sounding again {again - marks[0][0]:.1f} s after it hung"


@scenario
def killed(rig, board):
    """SIGKILL while the buzzer sounds: the stop step quiets the line."""
    stand_before_bin(board)
    board.shell("systemctl stop hindward.service; echo pull-up >/run/lines/sim_gpio5/pull; "
                "systemctl start hindward.service")
    # Pulled up, so that the line falls only if something drives it down.
    bin_heard(board, "the start", 60)
    trace(board)
    # What falls before the mark of its death may be the end of a pulse.
    mark(board, "killed", "pid=$(systemctl show hindward.service -P MainPID); kill -KILL $pid;"
                          "while grep -q '^State:.[^ZX]' /proc/$pid/status 2>/dev/null; do :; done;"
                          "echo dead >/sys/kernel/tracing/trace_marker")
    wait_for(board, "active again", lambda: unit(board, "ActiveState") == "active", 60)
    marks, levels, _ = trace(board)
    died, dead = (next(at for at, text in marks if text == what) for what in ("killed", "dead"))
    quiet = next((at for at, on in levels if at > dead and not on), None)
    board.shell("echo pull-down >/run/lines/sim_gpio5/pull")
    expect(quiet is not None, "nothing drove the line low after SIGKILL")
    bin_heard(board, "it was started again")
    return f"line driven low {quiet - died:.2f} s after SIGKILL"


@scenario
def stopped(rig, board):
    """`systemctl stop` leaves the line quiet and the exit clean."""
    stand_before_bin(board)
    board.shell("systemctl stop hindward.service")
    expect(board.buzzer() == 0, "the buzzer's line is still high")
    expect(unit(board, "Result") == "success", f"unit ended as {unit(board, 'Result')}")
    board.shell("systemctl start hindward.service")
    return "line low, unit ended as success"


def pixels(picture: Path):
    """Pixels of a picture as bytes, red, green, blue."""
    done = subprocess.run(["ffmpeg", "-loglevel", "error", "-i", picture, "-pix_fmt", "rgb24",
                           "-f", "rawvideo", "-"], check=True, capture_output=True,
                          stdin=subprocess.DEVNULL)
    return done.stdout


@scenario
def screen(rig, board):
    """The framebuffer shows a live picture and the banner of the WARNING."""
    stand_before_bin(board)
    return banner(rig, board)


def banner(rig, board):
    """Expects a live picture with the banner of the WARNING."""
    shots = []
    for number in (1, 2):
        file = rig.base / f"screen-{number}.png"
        board.screen(file)
        shots.append(pixels(file))
        board.sleep(1)
    safety_orange = bytes((0xFF, 0x82, 0x00))
    share = sum(shots[0][at:at + 3] == safety_orange for at in range(0, len(shots[0]), 3)) \
        / (len(shots[0]) / 3)
    changed = sum(a != b for a, b in zip(*shots)) / len(shots[0])
    expect(share > 0.005, f"safety orange on {share:.1%} of the screen: no WARNING banner")
    expect(changed > 0.05, f"only {changed:.1%} of the screen changed within a second: not live")
    return f"banner on {share:.1%} of the screen, {changed:.0%} changed within a second; " \
           f"{rig.base}/screen-1.png"


@scenario
def loudspeaker(rig, board):
    """The sound card plays the tone of the WARNING."""
    stand_before_bin(board)
    return warning_tone(board)


def warning_tone(board):
    """Expects the WARNING's tone from the sound card."""
    begin = board.sound.stat().st_size
    board.sleep(4)
    raw = board.sound.read_bytes()[max(begin, 44):]
    # 16-bit stereo at 44.1 kHz, as QEMU's WAV writer is set; left channel.
    left = array.array("h", raw[:len(raw) // 4 * 4])[::2]
    expect(len(left) > 44100, "the sound card was sent less than a second of sound")
    power = {tone: goertzel(left, tone, 44100) for tone in (450, 700, 800, 1000, 1200)}
    loudest = max(power, key=power.get)
    expect(loudest == 1000 and power[1000] > 10 * power[800],
           f"loudest of the profile's tones is {loudest} Hz, not the WARNING's 1000 Hz: {power}")
    return "1000 Hz, ten times and more above the profile's other tones"


@scenario
def devices_late(rig, board):
    """Drivers of screen and sound card come after the program, and the screen's goes and
    comes again: each is taken up."""
    def go(driver):
        board.shell(f"cd /sys/bus/pci/drivers/{driver}; for device in 0000:*; do "
                    f"echo $device >/run/{driver}; echo $device >unbind; done")

    def come(driver):
        board.shell(f"cat /run/{driver} >/sys/bus/pci/drivers/{driver}/bind")

    board.shell("systemctl stop hindward.service")
    go("bochs-drm")
    go("snd_hda_intel")
    board.shell("[ ! -e /dev/fb0 ] && [ ! -e /dev/snd/pcmC0D0p ]")
    stand_before_bin(board)
    come("bochs-drm")
    come("snd_hda_intel")
    board.sleep(12)  # as seldom as every 10 s it looks for them
    tone = warning_tone(board)
    banner(rig, board)
    go("bochs-drm")
    board.sleep(3)
    come("bochs-drm")
    board.sleep(3)
    return f"{tone}; {banner(rig, board)}"


def goertzel(samples, tone_hz, rate_hz):
    """Power of one tone."""
    factor = 2 * math.cos(2 * math.pi * tone_hz / rate_hz)
    one = two = 0.0
    for sample in samples:
        one, two = sample + factor * one - two, one
    return one * one + two * two - factor * one * two


@scenario
def reverse_left(rig, board):
    """Out of reverse: silence."""
    stand_before_bin(board)
    trace(board)
    board.reverse(False)
    board.sleep(8)
    marks, levels, _ = trace(board)
    last = max((at for at, on in levels if not on), default=marks[0][0])
    expect(board.buzzer() == 0 and last - marks[0][0] < 6, "still sounding 6 s after reverse")
    return f"silent {last - marks[0][0]:.2f} s after leaving reverse"


RECORD = """
[record]
folder = "/var/lib/hindward"
most_mib = 64
minutes = 0.5
"""
# README shows the same lines for a board.
FSTAB = """
/dev/vda / ext4 ro,noatime 0 0
/dev/vdb /clips ext4 ro 0 0
/dev/vdc /var/lib/hindward ext4 noatime,commit=1,nofail 0 2
tmpfs /tmp tmpfs mode=1777,size=16m 0 0
tmpfs /var/tmp tmpfs mode=1777,size=16m 0 0
tmpfs /var/log tmpfs mode=755,size=16m 0 0
"""
KEPT_S = 20  # of recording before the clip is asked for


def turned_screen(rig):
    """A screen of 16 bits a pixel, mounted on its side: what it shows, turned back, is
    what an upright one of 32 bits shows. The picture stands still, so that it is the same."""
    def shown(name, what, wide, high):
        mode = board.shell("cat /sys/class/graphics/fb0/{bits_per_pixel,virtual_size}").split("\n")
        expect(mode == what, f"the screen's mode is {mode}")
        board.shell("systemctl start hindward.service")
        wait_for(board, "the frozen picture told", lambda: "frozen" in board.shell(
            "journalctl -u hindward.service -o cat --no-pager | tail -3"), 20)
        board.sleep(3)
        file = rig.base / f"screen-{name}.png"
        board.screen(file)
        raw = pixels(file)
        expect(len(raw) == wide * high * 3, f"the screen shows {len(raw) // 3} pixels, not {wide} by {high}")
        return raw

    with rig.board(vesa=True) as board:
        devices_up(board)
        board.shell("systemctl stop hindward.service;"
                    "sed -i '/^device = .\\/dev\\/fb0/a turn_deg = \"90\"' /etc/hindward/profile.toml")
        stand_before_bin(board)
        board.shell("/opt/rig/camera freeze")
        turned = shown("turned", ["16", "800,600"], 800, 600)
        board.shell("systemctl stop hindward.service; modprobe bochs;"
                    "sed -i '/^turn_deg/d' /etc/hindward/profile.toml")
        upright = shown("upright", ["32", "600,800"], 600, 800)

    def alike(place):
        """Share of the pixels that differ by no more than 16 bits take away."""
        same = 0
        for y in range(800):
            for x in range(600):
                here, there = 3 * (y * 600 + x), 3 * place(x, y)
                same += all(abs(upright[here + c] - turned[there + c]) <= 8 for c in range(3))
        return same / (600 * 800)

    clockwise = alike(lambda x, y: x * 800 + 799 - y)
    other = alike(lambda x, y: (599 - x) * 800 + y)
    seen = sum(any(upright[at:at + 3]) for at in range(0, len(upright), 3)) / (600 * 800)
    expect(seen > 0.3 and other < 0.9, f"{seen:.0%} of the screen is not black, {other:.0%} of it alike "
                                       "if turned the other way: the picture is of no use")
    expect(clockwise > 0.999, f"only {clockwise:.1%} of the pixels are those of the upright screen")
    return f"{clockwise:.2%} of the pixels alike; turned the other way {other:.0%}"


def read_only(rig):
    """The root disk refuses writes, only the recorder's disk takes them: the unit becomes
    ready, warns and records."""
    system = {"/etc/fstab": FSTAB, "/etc/hindward/profile.toml": (HERE / "board.toml").read_text() + RECORD}
    before = {path: inside(rig, path) for path in system}
    rig.empty_data()
    try:
        for path, text in system.items():
            put(rig, path, text)
        digest = hashlib.sha256(rig.root.read_bytes()).digest()
        with rig.board(read_only=True) as board:
            devices_up(board)
            told = start(rig, board)
            written = board.shell("! touch /etc/written /var/lib/written /usr/written; grep ' / ' /proc/mounts")
            expect(re.search(r"ext4 ro[, ]", written), f"the root is not read-only: {written}")
            stand_before_bin(board)
            failed = board.shell("systemctl --failed --no-legend --plain || true")
            board.sleep(KEPT_S)
            board.shell("systemctl kill --kill-whom=main -s USR1 hindward.service; sleep 15")
            board.power_cut()
        expect(hashlib.sha256(rig.root.read_bytes()).digest() == digest, "the root disk was changed")
    finally:
        for path, text in before.items():
            put(rig, path, text)
    subprocess.run(["e2fsck", "-p", rig.data], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL)
    clips, frames, _ = recorded(rig)
    expect(clips == 1, f"{clips} clips were kept, not 1")
    rig.empty_data()
    return f"{told}; warned; {frames} frames recorded; units that failed: {failed or 'none'}"


def inside(rig, path):
    """A file of the root disk's image."""
    return subprocess.run(["debugfs", "-R", f"cat {path}", rig.root], check=True, text=True,
                          capture_output=True, stdin=subprocess.DEVNULL).stdout


def put(rig, path, text):
    """Replaces a file of the root disk's image."""
    with tempfile.NamedTemporaryFile("w") as file:
        file.write(text)
        file.flush()
        Path(file.name).chmod(0o644)
        for ask in (f"rm {path}", f"write {file.name} {path}"):
            subprocess.run(["debugfs", "-w", "-R", ask, rig.root], check=True,
                           capture_output=True, stdin=subprocess.DEVNULL)
    expect(inside(rig, path) == text, f"{path} could not be replaced")


def power_cut(rig):
    """The supply is cut while the buzzer sounds and the camera is recorded; at the
    next ignition the board warns again by itself, its disks are sound, and what
    was recorded plays."""
    with rig.board(keep=True) as board:
        devices_up(board)
        board.shell(f"cat >>/etc/hindward/profile.toml <<'E'\n{RECORD}\nE\n"
                    "systemctl restart hindward.service; sync")
        stand_before_bin(board)
        board.sleep(KEPT_S)
        board.shell("systemctl kill --kill-whom=main -s USR1 hindward.service")
        # Into the middle of a piece that belongs to the clip.
        board.sleep(7)
        board.power_cut()
    for disk_image in (rig.root, rig.data):
        # The journal is played back first, as at boot; then nothing may be wrong.
        subprocess.run(["e2fsck", "-p", disk_image], stdin=subprocess.DEVNULL,
                       stdout=subprocess.DEVNULL)
        found = subprocess.run(["e2fsck", "-fn", disk_image], stdin=subprocess.DEVNULL,
                               capture_output=True, text=True)
        expect(found.returncode == 0, f"{disk_image.name} is damaged:\n{found.stdout}")
    clips, frames, left = recorded(rig)
    expect(clips >= 1, "the clip that was asked for is not there")
    with rig.board(keep=True) as board:
        devices_up(board)
        stand_before_bin(board)
        began = board.now()
        board.sleep(2)
        now_left = board.shell("find /var/lib/hindward -name '*.part' -mmin +1 -o -name '.0*'")
        expect(not now_left, f"leftovers of the cut are still there: {now_left}")
        return (f"disks sound; {frames} recorded frames whole in {clips} clip, {left} unfinished "
                f"file; warning again {began:.0f} s after the kernel's start")


def recorded(rig):
    """Clips, their whole frames, and unfinished files on the data disk."""
    copy = rig.base / "recorded"
    shutil.rmtree(copy, ignore_errors=True)
    copy.mkdir()
    run("debugfs", "-R", f"rdump / {copy}", rig.data)
    frames = 0
    clips = sorted(copy.glob("clips/0*"))
    for clip in clips:
        again = copy / f"{clip.name}-again"
        done = subprocess.run([rig.program, "clip", clip, "--out", again, "--json"],
                              stdin=subprocess.DEVNULL, capture_output=True, text=True)
        expect(done.returncode == 0, f"{clip.name} cannot be read: {done.stderr}")
        told = json.loads(done.stdout)
        expect(told["broken"] == 0 and "note" not in done.stderr,
               f"{clip.name} is not whole: {told} {done.stderr}")
        expect(told["frames"] >= KEPT_S * CAMERA_HZ, f"{clip.name} has {told['frames']} frames only")
        frames += told["frames"]
    return len(clips), frames, len(list(copy.rglob("*.part")))


ALONE = {"turned-screen": turned_screen, "read-only": read_only, "power-cut": power_cut}


def main(base: Path, program: Path, wanted):
    # Those that share one boot, and those that need their own.
    names = [*SCENARIOS, *ALONE]
    for name in wanted:
        if name not in names:
            sys.exit(f"{name}: no such scenario; there are: {', '.join(names)}")
    wanted = wanted or names
    # Whoever ends this ends the board with it.
    signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))
    rig = Rig(base, program)
    print("== preparing clips and disks", flush=True)
    rig.prepare()
    failed = 0

    def tell(name, play, *given):
        nonlocal failed
        try:
            print(f"ok    {name}: {play(*given)}", flush=True)
            return True
        except Failure as failure:
            failed += 1
            print(f"FAIL  {name}: {failure}", flush=True)
            return False

    shared = [name for name in SCENARIOS if name in wanted]
    if shared:
        print("== booting", flush=True)
        with rig.board() as board:
            devices_up(board)
            for name in shared:
                if not tell(name, SCENARIOS[name], rig, board):
                    print(board.shell("journalctl -o short-monotonic --no-pager | tail -40;"
                                      "tail -n 5 /run/feed.log", check=False), flush=True)
    for name, play in ALONE.items():
        if name in wanted:
            tell(name, play, rig)
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main(Path(sys.argv[1]).resolve(), Path(sys.argv[2]).resolve(), sys.argv[3:])
