/* Cycles that an instruction of a Cortex-M4 takes, at least and at most, from memory that never waits.
 *
 * After the table of instructions in the processor's technical reference manual (ARM DDI 0439, from
 * memory): most take 1; a load or store 2, or 1 where it follows another; N registers 1 + N; a
 * division 2 to 12; what refills the pipeline 1 to 3 more. A branch on a condition is counted from
 * not taken to taken, an instruction within IT as if it were carried out.
 */
#ifndef CYCLES_H
#define CYCLES_H

#include <stdint.h>

#define REFILL_LEAST 1
#define REFILL_MOST 3

struct cycles {
    int least, most;
};

static inline struct cycles cycles_from(int least, int most)
{
    struct cycles found;
    found.least = least;
    found.most = most;
    return found;
}

static inline int ones_of(unsigned bits)
{
    int count = 0;
    for (; bits != 0; bits &= bits - 1) {
        count++;
    }
    return count;
}

/* Several registers, the program counter among them if the pipeline is refilled. */
static inline struct cycles cycles_of_list(int registers, int refills)
{
    return cycles_from(
        1 + registers + (refills ? REFILL_LEAST : 0), 1 + registers + (refills ? REFILL_MOST : 0));
}

static inline struct cycles cycles_of_short(unsigned code)
{
    const struct cycles branch = { 1 + REFILL_LEAST, 1 + REFILL_MOST };
    if ((code & 0xF800) == 0x4800 || ((code & 0xF000) >= 0x5000 && (code & 0xF000) <= 0x9000)) {
        return cycles_from(1, 2); /* loads and stores */
    }
    if ((code & 0xF000) == 0xC000) { /* LDM, STM */
        return cycles_of_list(ones_of(code & 0xFF), 0);
    }
    if ((code & 0xF600) == 0xB400) { /* PUSH, POP; bit 8 is the link register, or the counter */
        return cycles_of_list(ones_of(code & 0x1FF), (code & 0x0900) == 0x0900);
    }
    if ((code & 0xF500) == 0xB100) { /* CBZ, CBNZ */
        return cycles_from(1, branch.most);
    }
    if ((code & 0xFF00) == 0xBF00 && (code & 0xF) != 0) { /* IT may be folded into the one before */
        return cycles_from(0, 1);
    }
    if ((code & 0xF000) == 0xD000) { /* branch on a condition */
        return cycles_from(1, branch.most);
    }
    if ((code & 0xF800) == 0xE000 || (code & 0xFF00) == 0x4700) { /* B, BX, BLX */
        return branch;
    }
    if (((code & 0xFF00) == 0x4600 || (code & 0xFF00) == 0x4400) && (code & 0x87) == 0x87) {
        return branch; /* into the program counter */
    }
    return cycles_from(1, 1);
}

static inline struct cycles cycles_of_long(unsigned first, unsigned second)
{
    if ((first & 0xFE40) == 0xE800) { /* LDM, STM */
        return cycles_of_list(ones_of(second), (first & 0x10) != 0 && (second & 0x8000) != 0);
    }
    if ((first & 0xFFF0) == 0xE8D0 && (second & 0xFFE0) == 0xF000) { /* branch by a table */
        return cycles_from(2 + REFILL_LEAST, 2 + REFILL_MOST);
    }
    if ((first & 0xFE40) == 0xE840) { /* two registers, or exclusive access */
        return cycles_from(2, 3);
    }
    if ((first & 0xFE00) == 0xEC00) { /* VLDM, VSTM, VPUSH, VPOP: words in the lowest byte; VLDR */
        return cycles_from(1, 1 + (int)(second & 0xFF));
    }
    if ((first & 0xEC00) == 0xEC00) { /* floating point: divisions and roots take 14 */
        return cycles_from(1, 15);
    }
    if ((first & 0xF800) == 0xF000 && (second & 0x8000) != 0) {
        if ((second & 0x5000) != 0) { /* B, BL */
            return cycles_from(1 + REFILL_LEAST, 1 + REFILL_MOST);
        }
        return cycles_from(1, 1 + REFILL_MOST); /* on a condition; barriers */
    }
    if ((first & 0xFE00) == 0xF800) { /* loads and stores; into the counter refills */
        const int refills = (first & 0x70) == 0x50 && (second >> 12) == 15;
        return cycles_from(1, 2 + (refills ? REFILL_MOST : 0));
    }
    if ((first & 0xFFD0) == 0xFB90) { /* SDIV, UDIV */
        return cycles_from(2, 12);
    }
    return cycles_from(1, 1);
}

/* Of the instruction that begins at an address; halves of 16 bits, the lower byte first. */
static inline struct cycles cycles_of(const void *address)
{
    const unsigned char *byte = (const unsigned char *)address;
    const unsigned first = byte[0] | (unsigned)byte[1] << 8;
    if ((first & 0xF800) < 0xE800) {
        return cycles_of_short(first);
    }
    return cycles_of_long(first, byte[2] | (unsigned)byte[3] << 8);
}

#endif
