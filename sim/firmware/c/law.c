#include "law.h"

#include "coefficients.h"
#include "whole.h"

#define COLUMNS (LAW_STATES + 2)
#define SEEN 0
#define LOST 1

struct outcome {
    int32_t states[LAW_STATES_KEPT];
    int64_t correction;
};

static int set_of(int mirror)
{
    return LAW_SETS > 1 ? mirror : 0;
}

/* Sum of exact products, rounded once by a shift. */
static int64_t row_of(
    const int32_t row[COLUMNS], int shift, int32_t value, const int32_t *states, int32_t last)
{
    int64_t total = (int64_t)row[0] * value + (int64_t)row[COLUMNS - 1] * last;
    int i;
    for (i = 0; i < LAW_STATES; i++) {
        total += (int64_t)row[1 + i] * states[i];
    }
    return whole_shift(total, shift, LAW_ROUNDING);
}

static struct outcome rows_of(
    const struct law_axis *axis, int set, int which, int part, int32_t value,
    const int32_t *states, uint32_t *cuts)
{
    struct outcome after;
    int i;
    for (i = 0; i < LAW_STATES; i++) {
        const int64_t word = row_of(
            law_rows[which][set][part][i], law_shifts[which][i], value, states, axis->correction);
        after.states[i] = (int32_t)whole_cut(word, law_state_bits[i], cuts);
    }
    after.correction = whole_cut(
        row_of(
            law_rows[which][set][part][LAW_STATES], law_shifts[which][LAW_STATES], value,
            after.states, axis->correction),
        CORRECTION_BITS, cuts);
    return after;
}

/* The mismatch through the sections, transposed direct form II; their memory is never rounded. */
static int32_t filtered(
    struct law_axis *axis, int set, int part, int32_t mismatch, int seen, uint32_t *cuts)
{
    int64_t value = whole_shift(mismatch, POSITION_FRACTION - VALUE_FRACTION, LAW_ROUNDING);
    int i;
    for (i = 0; i < LAW_SECTIONS; i++) {
        const int32_t *c = law_sections[i][LAW_SECTION_SETS > 1 ? set : 0][part];
        int64_t *memory = axis->memory[i];
        const int64_t total = c[0] * value + memory[0];
        const int64_t out =
            whole_cut(whole_shift(total, LAW_SECTION_SHIFT, LAW_ROUNDING), VALUE_BITS, cuts);
        if (seen) {
            memory[0] = c[1] * value - c[3] * out + memory[1];
            memory[1] = c[2] * value - c[4] * out;
        }
        value = out;
    }
    return (int32_t)value;
}

/* Conditional integration: stand still where the change would press against the limit. */
static int32_t conditioned(
    int i, int32_t before, int32_t after, int64_t pressing, int32_t lowest, int32_t highest)
{
    const int64_t change = (int64_t)after - before;
    const int presses = (pressing > 0 && change > 0) || (pressing < 0 && change < 0);
    const int finer = law_finer_bits[i];
    int64_t low = lowest, high = highest;
    if (finer >= 0) {
        low *= (int64_t)1 << finer;
        high *= (int64_t)1 << finer;
    } else {
        low = whole_floor(low, -finer);
        high = whole_floor(high, -finer);
    }
    return (int32_t)whole_clip(presses ? before : after, low, high);
}

static void axis_step(struct law_axis *axis, int mirror, int part, const struct law_input *input)
{
    const int set = set_of(mirror);
    uint32_t cuts = 0, lost_cuts = 0;
    int32_t mismatch = 0, value, before[LAW_STATES_KEPT];
    int64_t granted;
    struct outcome after;
    int i;

    if (input->seen) {
        mismatch = (int32_t)whole_cut(
            (int64_t)input->reference[part] - input->position[part], POSITION_BITS, &cuts);
    }
    value = filtered(axis, set, part, mismatch, input->seen, &cuts);
    for (i = 0; i < LAW_STATES; i++) {
        before[i] = law_previous[i] && !axis->known ? value : axis->states[i];
    }
    if (input->seen) {
        after = rows_of(axis, set, SEEN, part, value, before, &cuts);
    } else {
        after = rows_of(axis, set, LOST, part, 0, before, &lost_cuts);
        cuts = lost_cuts;
    }
    granted = whole_clip(after.correction, input->lowest[part], input->highest[part]);
    for (i = 0; i < LAW_STATES; i++) {
        axis->states[i] = input->seen && law_conditional[i]
            ? conditioned(
                  i, axis->states[i], after.states[i], after.correction - granted,
                  input->lowest[part], input->highest[part])
            : after.states[i];
    }
    axis->known = input->seen != 0;
    axis->correction = (int32_t)granted;
    axis->cuts += cuts;
}

void law_step(struct law_state *state, int mirror, const struct law_input *input)
{
    int part;
    for (part = 0; part < 2; part++) {
        axis_step(&state->axis[part], mirror, part, input);
    }
}

void law_start(struct law_state *state, int mirror, const int32_t standing[2])
{
    const int set = LAW_STANDING_SETS > 1 ? mirror : 0;
    int part, i;
    for (part = 0; part < 2; part++) {
        struct law_axis *axis = &state->axis[part];
        uint32_t uncounted = 0;
        axis->correction = (int32_t)whole_cut(standing[part], CORRECTION_BITS, &uncounted);
        for (i = 0; i < LAW_STATES; i++) {
            const int64_t word = whole_shift(
                (int64_t)law_standing[set][part][i] * axis->correction, law_standing_shifts[i],
                LAW_ROUNDING);
            axis->states[i] = law_previous[i]
                ? 0
                : (int32_t)whole_cut(word, law_state_bits[i], &uncounted);
        }
        for (i = 0; i < LAW_SECTIONS; i++) {
            axis->memory[i][0] = axis->memory[i][1] = 0;
        }
        axis->cuts = 0;
        axis->known = 0;
    }
}
