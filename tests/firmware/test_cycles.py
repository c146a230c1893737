"""Cycles by the class of an instruction: encodings by the assembler, cycles by the table."""

import re
import shutil
import subprocess

import pytest

from sim.firmware.c import read_vectors
from sim.firmware.emulator import ARM

LISTED = {
    # Cortex-M4 technical reference manual (ARM DDI 0439), table of instructions, from memory; P,
    # what refills the pipeline, is 1 to 3.
    "adds r0, r1, r2": (1, 1),
    "add.w r8, r9, r10, lsl #2": (1, 1),
    "mul r0, r1, r0": (1, 1),
    "smull r0, r1, r2, r3": (1, 1),
    "sdiv r0, r1, r2": (2, 12),
    "udiv r8, r9, r10": (2, 12),
    "ldr r0, [r1]": (1, 2),
    "ldr.w r9, [r10, #400]": (1, 2),
    "ldrh r0, [r1, #2]": (1, 2),
    "strb r0, [r1, r2]": (1, 2),
    "ldrd r0, r1, [r2]": (2, 3),
    "ldmia r0!, {r1, r2, r3}": (4, 4),
    "push {r4, r5, lr}": (4, 4),
    "pop {r4, r5, pc}": (5, 7),
    "ldmia.w sp!, {r4, r8, pc}": (5, 7),
    "stmdb sp!, {r4, r8, lr}": (4, 4),
    "beq .": (1, 4),
    "beq.w .": (1, 4),
    "b .": (2, 4),
    "bl .": (2, 4),
    "bx lr": (2, 4),
    "cbz r0, .+8": (1, 4),
    "it eq": (0, 1),
    "tbb [pc, r0]": (3, 5),
    "nop": (1, 1),
    # Registers of floating point: N words take 1 + N, a double two; other instructions up to 15.
    "vpush {s16-s31}": (1, 17),
    "vpush {d8-d15}": (1, 17),
    "vldmia r0!, {s0-s31}": (1, 33),
    "vstmdb r0!, {s0}": (1, 2),
    "vpop {d8}": (1, 3),
    "vdiv.f32 s0, s1, s2": (1, 15),
}
MISSING = [name for name in (f"{ARM}as", f"{ARM}objdump", "cc") if shutil.which(name) is None]


@pytest.mark.skipif(bool(MISSING), reason=f"{', '.join(MISSING)} not installed")
def test_each_class_takes_what_the_manual_lists(tmp_path):
    lines = [line if line != "it eq" else "it eq\nmoveq r0, r1" for line in LISTED]
    source = "\n".join([".syntax unified", ".thumb", *(f"{x}\n.p2align 3, 0" for x in lines), ""])
    (tmp_path / "a.s").write_text(source)
    subprocess.run(
        [f"{ARM}as", "-mcpu=cortex-m4", "-mfpu=fpv4-sp-d16", "-o", tmp_path / "a.o",
         tmp_path / "a.s"], check=True,
    )  # fmt: skip
    subprocess.run(
        [f"{ARM}objcopy", "-O", "binary", "-j", ".text", tmp_path / "a.o", tmp_path / "a.bin"],
        check=True,
    )
    code = (tmp_path / "a.bin").read_bytes()
    assert len(code) == 8 * len(LISTED)
    emulator = read_vectors.__file__.replace("read_vectors.py", "emulator")
    (tmp_path / "a.c").write_text(
        '#include <stdio.h>\n#include "cycles.h"\n'
        f"static const unsigned char code[] = {{ {', '.join(map(str, code))} }};\n"
        "int main(void) { unsigned i; for (i = 0; i < sizeof code; i += 8) {"
        ' const struct cycles c = cycles_of(code + i); printf("%d %d\\n", c.least, c.most); }'
        " return 0; }\n"
    )
    subprocess.run(
        ["cc", "-std=c99", "-Wall", "-Werror", f"-I{emulator}", "-o", tmp_path / "a",
         tmp_path / "a.c"], check=True,
    )  # fmt: skip
    said = subprocess.run([tmp_path / "a"], capture_output=True, text=True, check=True).stdout
    found = [tuple(map(int, pair)) for pair in re.findall(r"(\d+) (\d+)", said)]
    assert dict(zip(LISTED, found, strict=True)) == LISTED
