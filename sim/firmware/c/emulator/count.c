/* Counts the instructions between marks of an emulated program, as a plug-in of the emulator.
 *
 * Given "report=PATH" and, for each stage, "NAME=ADDRESS" of its mark. Writes a line a stage:
 * name, times, fewest, most, sum, and the most cycles at least and at most (cycles.h), of which the
 * marks' own are the fewest. "frame" counts from the first mark of a frame to the last.
 */
#include <inttypes.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "cycles.h"

/* The part of the emulator's interface that is used, version 1; distributions ship no header. */
typedef uint64_t plugin_id;
struct qemu_plugin_tb;
struct qemu_plugin_insn;
void qemu_plugin_register_vcpu_tb_trans_cb(plugin_id, void (*)(plugin_id, struct qemu_plugin_tb *));
void qemu_plugin_register_atexit_cb(plugin_id, void (*)(plugin_id, void *), void *);
size_t qemu_plugin_tb_n_insns(const struct qemu_plugin_tb *);
struct qemu_plugin_insn *qemu_plugin_tb_get_insn(const struct qemu_plugin_tb *, size_t);
uint64_t qemu_plugin_insn_vaddr(const struct qemu_plugin_insn *);
const void *qemu_plugin_insn_data(const struct qemu_plugin_insn *);
void qemu_plugin_register_vcpu_insn_exec_inline(struct qemu_plugin_insn *, int, void *, uint64_t);
void qemu_plugin_register_vcpu_insn_exec_cb(
    struct qemu_plugin_insn *, void (*)(unsigned, void *), int, void *);

int qemu_plugin_version = 1;

#define MOST_STAGES 8
#define NO_REGISTERS 0
#define ADD 0

struct tally {
    uint64_t instructions, least, most; /* cycles at least, and at most */
};

struct stage {
    char name[32];
    uint64_t address, times, sum;
    struct tally fewest, most;
};

static struct stage stages[MOST_STAGES];
static struct stage frame = { "frame", 0, 0, 0, { UINT64_MAX, UINT64_MAX, UINT64_MAX }, { 0, 0, 0 } };
static int count, last = -1;
static struct tally done, stage_began, frame_began;
static FILE *report;

static void keep(uint64_t taken, uint64_t *fewest, uint64_t *most)
{
    *fewest = taken < *fewest ? taken : *fewest;
    *most = taken > *most ? taken : *most;
}

static void note(struct stage *stage, const struct tally *began)
{
    const uint64_t taken = done.instructions - began->instructions;
    stage->times++;
    stage->sum += taken;
    keep(taken, &stage->fewest.instructions, &stage->most.instructions);
    keep(done.least - began->least, &stage->fewest.least, &stage->most.least);
    keep(done.most - began->most, &stage->fewest.most, &stage->most.most);
}

static void at_mark(unsigned processor, void *which)
{
    const int i = (int)(intptr_t)which;
    (void)processor;
    if (last >= 0 && last < count - 1) {
        note(&stages[last], &stage_began);
    }
    if (i == 0) {
        frame_began = done;
    }
    if (i == count - 1) {
        note(&frame, &frame_began);
    }
    last = i;
    stage_began = done;
}

static void translated(plugin_id id, struct qemu_plugin_tb *block)
{
    const size_t n = qemu_plugin_tb_n_insns(block);
    size_t k;
    (void)id;
    for (k = 0; k < n; k++) {
        struct qemu_plugin_insn *instruction = qemu_plugin_tb_get_insn(block, k);
        int i;
        for (i = 0; i < count; i++) {
            if (stages[i].address == qemu_plugin_insn_vaddr(instruction)) {
                qemu_plugin_register_vcpu_insn_exec_cb(
                    instruction, at_mark, NO_REGISTERS, (void *)(intptr_t)i);
            }
        }
        {
            const struct cycles cycles = cycles_of(qemu_plugin_insn_data(instruction));
            uint64_t *const sums[] = { &done.instructions, &done.least, &done.most };
            const uint64_t more[] = { 1, (uint64_t)cycles.least, (uint64_t)cycles.most };
            for (i = 0; i < 3; i++) {
                qemu_plugin_register_vcpu_insn_exec_inline(instruction, ADD, sums[i], more[i]);
            }
        }
    }
}

static void line(const struct stage *stage)
{
    static const struct tally none;
    const struct tally fewest = stage->times ? stage->fewest : none;
    fprintf(
        report, "%s %" PRIu64 " %" PRIu64 " %" PRIu64 " %" PRIu64 " %" PRIu64 " %" PRIu64 "\n",
        stage->name, stage->times, fewest.instructions, stage->most.instructions, stage->sum,
        stage->most.least - fewest.least, stage->most.most - fewest.most);
}

static void at_exit(plugin_id id, void *nothing)
{
    int i;
    (void)id;
    (void)nothing;
    for (i = 0; i < count - 1; i++) {
        line(&stages[i]);
    }
    line(&frame);
    fclose(report);
}

int qemu_plugin_install(plugin_id id, const void *info, int argc, char **argv)
{
    int i;
    (void)info;
    for (i = 0; i < argc; i++) {
        const char *value = strchr(argv[i], '=');
        if (value == NULL) {
            return -1;
        }
        if (strncmp(argv[i], "report=", 7) == 0) {
            report = fopen(value + 1, "w");
        } else if (count < MOST_STAGES) {
            struct stage *stage = &stages[count++];
            snprintf(stage->name, sizeof stage->name, "%.*s", (int)(value - argv[i]), argv[i]);
            stage->address = strtoull(value + 1, NULL, 0);
            stage->fewest = frame.fewest;
        }
    }
    if (report == NULL || count < 2) {
        return -1;
    }
    qemu_plugin_register_vcpu_tb_trans_cb(id, translated);
    qemu_plugin_register_atexit_cb(id, at_exit, NULL);
    return 0;
}
