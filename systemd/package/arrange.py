#!/usr/bin/env python3
"""Says in which order the linker is to lay out the program, from a rehearsal of it.

    arrange.py PROGRAM MAP TRACE FOLDER

PROGRAM was linked with `--emit-relocs` and kept its symbols, MAP is lld's map of it, TRACE is what qemu's `-d in_asm` wrote
while it ran. Writes FOLDER/functions, for `--symbol-ordering-file`: what ran, in the order of its first run. And
FOLDER/constants.ld, a linker script: the constants that these refer to stand together, before all others.
"""

import bisect
import re
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

# Runs on a real machine, but not in every emulation: how the kernel's clock is found, and two threads that want the same.
NOT_EMULATED = re.compile(r"6rustix7backend(4vdso|5param4auxv|13vdso_wrappers)|5mutex5futex.*14lock_contended")
# Of a long table little is read: it would only keep the others apart.
LONG = 8192
# Strings of C and numbers, which the linker makes one each of: short, and used by everything.
SHARED = [".rodata.cst4", ".rodata.cst8", ".rodata.cst16", ".rodata.cst32", ".rodata.str1.1", ".rodata.*.str1.1"]
# On x86-64 these count from where they stand: in an instruction from its end, four bytes on.
RELATIVE = re.compile(r"R_X86_64_(PC32|PLT32|GOTPCRELX|REX_GOTPCRELX)$")

# What every start runs and has no section of its own would stand behind all functions; it goes before them.
SCRIPT = """SECTIONS {{
  .rodata_first : {{
{rows}  }}
}}
INSERT BEFORE .gcc_except_table;
SECTIONS {{
  .init : {{ KEEP(*(.init)) }}
  .plt : {{ *(.plt) }}
  .text_first : {{ *crt1.o(.text) *crtbegin*.o(.text) }}
}}
INSERT BEFORE .text;
"""


class Part(NamedTuple):
    """One function or constant, as the linker placed it."""

    begin: int
    end: int
    name: str


def ran(trace):
    """Names of functions, in the order of their first run."""
    with open(trace, errors="replace") as lines:
        return list(dict.fromkeys(line[4:].strip() for line in lines if line.startswith("IN: ") and line[4:].strip()))


def parts(map_file):
    """Every part of the map, by its place."""
    row = re.compile(r"\s*([0-9a-f]+)\s+[0-9a-f]+\s+([0-9a-f]+)\s+\d+\s+\S.*:\((\.[^()]*)\)$")
    found = []
    for line in open(map_file, errors="replace"):
        if match := row.match(line):
            begin, size = int(match[1], 16), int(match[2], 16)
            if size and match[3].startswith((".text.", ".rodata.", ".data.")):
                found.append(Part(begin, begin + size, match[3]))
    return sorted(found)


def references(program):
    """Where something is referred to, where that stands, and whether the linker writes down the way between the two."""
    row = re.compile(r"([0-9a-f]{8,})\s+[0-9a-f]+\s+(R_\S+)\s+([0-9a-f]{8,})\s+\S+ ([+-]) ([0-9a-f]+)$")
    listed = subprocess.run(["readelf", "-rW", program], capture_output=True, text=True, errors="replace", check=True)
    for line in listed.stdout.splitlines():
        if match := row.match(line):
            beyond = int(match[5], 16) * (1 if match[4] == "+" else -1)
            yield int(match[1], 16), int(match[3], 16) + beyond, bool(RELATIVE.match(match[2]))


def main(program, map_file, trace, folder):
    functions = ran(trace)
    all_parts = parts(map_file)
    begins = [part.begin for part in all_parts]

    def at(place):
        part = all_parts[bisect.bisect_right(begins, place) - 1]
        return part if part.begin <= place < part.end else None

    refers = {}
    for place, target, relative in references(program):
        if not (part := at(place)):
            continue
        if relative:
            # A table of ways counts all of them from its own begin.
            target += 4 if part.name.startswith(".text.") else part.begin - place
        if to := at(target):
            refers.setdefault(part, []).append(to)
    by_function = {re.sub(r"^\.text\.(unlikely\.|hot\.)?", "", part.name): part for part in all_parts}
    functions = [name for name in by_function if NOT_EMULATED.search(name)] + functions
    todo = [by_function[name] for name in functions if name in by_function]
    if len(todo) < 1000:
        sys.exit(f"arrange.py: only {len(todo)} of {len(functions)} functions of {trace} are in {map_file}: no rehearsal of this program")
    known = len(todo)
    constants = {}
    for part in todo:  # grows: what is referred to by way of a table comes too
        for to in refers.get(part, []):
            if not to.name.startswith(".text.") and to not in constants:
                constants[to] = None
                todo.append(to)
    in_order = sorted(constants, key=lambda part: part.end - part.begin > LONG)
    names = dict.fromkeys(part.name for part in in_order if part.name.startswith(".rodata."))
    for name in SHARED:
        names.pop(name, None)
    folder = Path(folder)
    (folder / "functions").write_text("".join(f"{name}\n" for name in functions))
    rows = "".join(f'    *("{name}")\n' for name in [*SHARED, *names])
    (folder / "constants.ld").write_text(SCRIPT.format(rows=rows))
    kb = sum(part.end - part.begin for part in constants if part.name in names) / 1000
    print(f"{known} functions and {kb:.0f} kB of their constants stand first")


if __name__ == "__main__":
    if len(sys.argv) != 5:
        sys.exit(__doc__)
    main(*sys.argv[1:])
