"""Runs inside the machine: steps its clock and looks at what the plugs are told.

What each lamp should do at each time is written down here by hand (TABLE), not asked of Lampward.
"""

import socket
import struct
import subprocess
import sys
import threading
import time

FILE = """
[place]
name      = "Skarvholmen"
position  = "59.7412 N, 5.2097 E"
time_zone = "Europe/Oslo"
[clock]
trust = "{trust}"
[broker]
address = "mqtt://127.0.0.1:1883"
[plug_kind.asked]
tell   = {{ topic = "{{plug}}/order", on = "on", off = "off" }}
report = {{ topic = "{{plug}}/report", on = "on", off = "off" }}
ask    = {{ topic = "{{plug}}/ask", payload = "" }}
[plug_kind.mute]
tell = {{ topic = "{{plug}}/order", on = "on", off = "off" }}
[channel.jetty]
label = "Jetty lamp"
kind = "asked"
plug = "jetty"
lit = [{{ from = "sunset", until = "sunrise" }}]
[channel.parlour]
label = "Parlour"
plug = "parlour"
lit = [{{ from = "15:00", until = "16:00" }}]
[channel.lunch]
label = "Kitchen table"
kind = "mute"
plug = "lunch"
lit = [{{ from = "14:00", until = "15:00" }}]
[channel.monday]
label = "Mondays"
kind = "mute"
plug = "monday"
lit = [{{ from = "15:00", until = "17:00", days = "Mon" }}]
[channel.tuesday]
label = "Tuesdays"
kind = "asked"
plug = "tuesday"
lit = [{{ from = "15:00", until = "17:00", days = "Tue" }}]
[channel.wednesday]
label = "Wednesdays"
plug = "wednesday"
lit = [{{ from = "15:00", until = "17:00", days = "Wed" }}]
"""
LAMPS = ["jetty", "parlour", "lunch", "monday", "tuesday", "wednesday"]
MUTE = {"lunch", "monday"}
# Local time, and which lamps are to be on then. Sunset is at 15:54 on 24 November and sunrise at 08:59 on the 25th.
TABLE = {
    "Mon 23 Nov 15:30": {"parlour", "monday"},
    "Tue 24 Nov 14:30": {"lunch"},
    "Tue 24 Nov 15:30": {"parlour", "tuesday"},
    "Tue 24 Nov 16:30": {"jetty", "tuesday"},
    "Wed 25 Nov 08:10": {"jetty"},
    "Wed 25 Nov 15:30": {"parlour", "wednesday"},
}
failed = False


def up():
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def say(text, good=True):
    global failed
    failed = failed or not good
    print(("" if good else "WRONG: ") + text, flush=True)


def shell(command):
    return subprocess.run(command, shell=True, check=True, capture_output=True, text=True).stdout.strip()


class Plugs(threading.Thread):
    """Six plugs on one MQTT connection: each does what it is told and says so, unless it is mute."""

    def __init__(self):
        super().__init__(daemon=True)
        self.on = {lamp: False for lamp in LAMPS}
        self.log = []
        self.socket = socket.create_connection(("127.0.0.1", 1883))
        self.packet(0x10, b"\0\4MQTT\4\2\0\0" + self.text("plugs"))
        assert self.read()[0] == 0x20
        self.packet(0x82, b"\0\1" + self.text("+/order") + b"\0" + self.text("+/ask") + b"\0")
        assert self.read()[0] == 0x90
        self.start()

    @staticmethod
    def text(text):
        return struct.pack(">H", len(text)) + text.encode()

    def packet(self, kind, body):
        assert len(body) < 128
        self.socket.sendall(bytes([kind, len(body)]) + body)

    def exactly(self, count):
        data = b""
        while len(data) < count:
            more = self.socket.recv(count - len(data))
            assert more, "the broker hung up"
            data += more
        return data

    def read(self):
        kind, length = self.exactly(2)
        assert length < 128
        return kind, self.exactly(length)

    def run(self):
        while True:
            kind, body = self.read()
            if kind & 0xF0 != 0x30:
                continue
            (length,) = struct.unpack(">H", body[:2])
            lamp, what = body[2 : 2 + length].decode().split("/")
            if what == "order":
                self.on[lamp] = body[2 + length :] == b"on"
                self.log.append((up(), lamp, self.on[lamp]))
            if lamp not in MUTE:
                self.packet(0x30, self.text(lamp + "/report") + (b"on" if self.on[lamp] else b"off"))

    def wrong(self, lit):
        """The lamps that are not as `lit` has them."""
        return [lamp for lamp in LAMPS if self.on[lamp] != (lamp in lit)]


class TimeServer(threading.Thread):
    """Tells the time (RFC 4330): `self.truth` was true at `self.at` by the boot clock. Silent while there is none."""

    def __init__(self):
        super().__init__(daemon=True)
        self.truth, self.at, self.answered = None, 0.0, None
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind(("127.0.0.1", 123))
        self.start()

    def tell(self, truth):
        self.answered, self.at, self.truth = None, up(), truth

    def now(self):
        return self.truth + up() - self.at

    def run(self):
        while True:
            asked, who = self.socket.recvfrom(512)
            if self.truth is None:
                continue
            stamp = self.now() + 2_208_988_800
            stamp = struct.pack(">II", int(stamp), int(stamp % 1 * 2**32))
            # Server, version 4, stratum 1, precision 2^-20.
            head = struct.pack(">BBbbII", 0x24, 1, 4, -20, 0, 0) + b"LOCL"
            self.socket.sendto(head + stamp + asked[40:48] + stamp + stamp, who)
            self.answered = self.answered or up()


def epoch(local):
    return int(shell(f"TZ=Europe/Oslo date -d '{local}' +%s"))


def come_right(what, since, lit, within=2.0):
    """Every lamp must be right within `within` seconds of `since`, told nothing else after it, and stay right."""
    while plugs.wrong(lit) and up() < since + 15:
        time.sleep(0.01)
    wrong = plugs.wrong(lit)
    time.sleep(4)
    orders = [(at - since, lamp, on) for at, lamp, on in plugs.log if at >= since]
    contrary = [order for order in orders if order[2] != (order[1] in lit)]
    took = max((at for at, _, _ in orders), default=0.0)
    good = not wrong and not plugs.wrong(lit) and not contrary and took <= within
    say(f"{what}: {len(orders)} commands, the last after {took:.2f} s" + (f"; not right: {wrong}" if wrong else "")
        + (f"; contrary: {contrary}" if contrary else ""), good)


def nothing(what, seconds):
    """Nothing may be switched for so long, and `lampward now` must say that the clock is not trusted."""
    since = up()
    time.sleep(seconds)
    orders = [(round(at - since, 2), lamp, on) for at, lamp, on in plugs.log if at >= since]
    said = shell("lampward now | sed -n 's/^Clock \\([^.]*\\)\\..*/\\1/p'")
    say(f"{what}: {len(orders)} commands in {seconds} s; clock {said}", not orders and "not trusted" in said)


def begin(trust):
    with open("/etc/lampward/lampward.toml", "w") as file:
        file.write(FILE.format(trust=trust))
    shell("systemctl start lampward")


def step(to):
    """Sets the clock with date(1) and says when."""
    since = up()
    shell(f"date -s @{to}")
    return since


def clock():
    return shell("TZ=Europe/Oslo date '+%a %d %b %Y %H:%M:%S'")


def always():
    since = up()
    begin("always")
    come_right("started at " + clock(), since, TABLE["Tue 24 Nov 15:30"], within=15)
    for name, seconds, then in [
        ("1 h forward", 3600, "Tue 24 Nov 16:30"),
        ("1 h back", -3600, "Tue 24 Nov 15:30"),
        ("1 h back", -3600, "Tue 24 Nov 14:30"),
        ("1 h forward", 3600, "Tue 24 Nov 15:30"),
        ("1 day forward", 86400, "Wed 25 Nov 15:30"),
        ("1 day back", -86400, "Tue 24 Nov 15:30"),
        ("1 day back", -86400, "Mon 23 Nov 15:30"),
        ("1 day forward", 86400, "Tue 24 Nov 15:30"),
    ]:
        since = step(int(time.time()) + seconds)
        come_right(f"{name}, to {clock()}", since, TABLE[then])


def synchronise(truth):
    """The network's time comes: when the server first answered."""
    server.tell(truth)
    shell("systemctl restart systemd-timesyncd")
    while not server.answered:
        time.sleep(0.01)
    return server.answered


def lose():
    """The network's time goes away again."""
    shell("systemctl stop systemd-timesyncd")
    server.truth = None


def default():
    true = epoch("2026-11-25 08:10:00")
    lit = TABLE["Wed 25 Nov 08:10"]
    for lamp in LAMPS:
        plugs.on[lamp] = lamp not in lit
    begin("synchronised")
    nothing(f"booted without a battery clock, it is {clock()}", 20)
    come_right("the network's time comes", synchronise(true), lit)

    lose()
    step(epoch("2026-11-24 15:59:55"))
    nothing(f"set back by hand to {clock()}, across 16:00", 20)
    come_right("the network's time comes again", synchronise(true + 120), lit)

    lose()
    step(epoch("2026-11-24 15:59:50"))
    shell("systemctl restart lampward")
    nothing(f"set back and started anew at {clock()}, across 16:00", 20)
    come_right("the network's time comes again", synchronise(true + 240), lit)

    lose()
    shell("systemctl stop lampward")
    synchronise(epoch("2026-11-24 15:59:40"))
    time.sleep(3)
    shell("systemctl start lampward")
    nothing(f"started when a server had set it to {clock()}, before the last sign of life, across 16:00", 25)
    come_right("the server tells the truth", synchronise(true + 360), lit)

    lose()
    shell("systemctl stop lampward; rm -rf /var/lib/lampward/*")
    # As a board with a good battery clock boots: right to a tenth of a second, but nobody has said so.
    step(true + 480)
    for lamp in LAMPS:
        plugs.on[lamp] = lamp not in lit
    shell("systemctl start lampward")
    nothing(f"a right clock that nobody vouches for, {clock()}", 20)
    come_right("the network's time comes, and nothing needs to be set", synchronise(time.time() + 0.05), lit)


plugs, server = Plugs(), TimeServer()
shell("mkdir -p /etc/lampward")
{"always": always, "default": default}[sys.argv[1]]()
sys.exit(failed)
