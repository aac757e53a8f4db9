#!/usr/bin/env python3
"""A receiver of satellites' signals on a pseudo-terminal, as a serial line would have it: NMEA 0183, RMC and GGA.

Prints the name of the line, then speaks until standard input ends: then it is unplugged.
Positions come as ddmm.mmmm,N,dddmm.mmmm,E and are sent as they are. Checksums are made here, by the standard's rule: the
exclusive or of all bytes between $ and *.
"""

import argparse
import datetime
import functools
import os
import pty
import select
import sys
import tty


def sentence(body):
    checksum = functools.reduce(lambda sum, byte: sum ^ byte, body.encode("ascii"), 0)
    return f"${body}*{checksum:02X}\r\n".encode("ascii")


def epoch(position, ahead, fix):
    """The two sentences of one fix, dated by this computer's clock plus so many seconds."""
    now = datetime.datetime.now(datetime.timezone.utc) + datetime.timedelta(seconds=ahead)
    time, date = now.strftime("%H%M%S.") + f"{now.microsecond // 10000:02d}", now.strftime("%d%m%y")
    if fix == "none":
        return [f"GPRMC,{time},V,,,,,,,{date},,,N", f"GPGGA,{time},,,,,0,02,99.9,,M,,M,,"]
    if fix == "poor":
        return [f"GPGGA,{time},{position},1,04,24.8,12.0,M,45.0,M,,", f"GPRMC,{time},A,{position},0.0,0.0,{date},,,A"]
    if fix == "simulated":
        return [f"GPGGA,{time},{position},8,08,0.9,12.0,M,45.0,M,,", f"GPRMC,{time},A,{position},0.0,0.0,{date},,,S"]
    return [f"GPGGA,{time},{position},1,08,0.9,12.0,M,45.0,M,,", f"GPRMC,{time},A,{position},0.0,0.0,{date},,,A"]


def main():
    arguments = argparse.ArgumentParser()
    arguments.add_argument("position", nargs="*", default=["5944.4720,N,00512.5820,E"])
    arguments.add_argument("--says", default="fix",
                           choices=["fix", "none", "poor", "simulated", "garbage", "checksums", "depth", "nothing"])
    arguments.add_argument("--ahead", type=float, default=0.0, help="seconds by which its clock is ahead of the computer's")
    arguments.add_argument("--no-fix-for", type=int, default=0, help="epochs without a fix at the start")
    arguments.add_argument("--every", type=float, default=0.05, help="seconds from one epoch to the next")
    arguments = arguments.parse_args()

    line, plug = pty.openpty()
    tty.setraw(plug)
    os.set_blocking(line, False)
    print(os.ttyname(plug), flush=True)

    epochs = 0
    while True:
        position = arguments.position[epochs % len(arguments.position)]
        says = "none" if epochs < arguments.no_fix_for else arguments.says
        epochs += 1
        if says == "garbage":
            # Framing at the wrong speed: bits of several bytes in one. Drawn once by a die, for ever the same.
            out = [bytes((7 * n * n + 129 * n + epochs) % 251 | 128 * (n % 2) for n in range(64)).replace(b"\n", b"\xf0")]
        elif says == "depth":
            out = [sentence("SDDPT,2.4,,"), sentence("SDMTW,8.1,C")]
        elif says == "nothing":
            out = []
        else:
            fix = "fix" if says in ["fix", "checksums"] else says
            out = [sentence(body) for body in epoch(position, arguments.ahead, fix)]
        if says == "checksums":
            out = [text.replace(b",N,", b",S,") for text in out]
        for text in out:
            try:
                os.write(line, text)
            except BlockingIOError:
                pass  # nobody reads: it speaks into the void, as a receiver does
        if select.select([sys.stdin], [], [], arguments.every)[0] and not sys.stdin.read(1):
            return


main()
