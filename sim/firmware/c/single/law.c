#include "law.h"

#include "coefficients.h"

#define COLUMNS (LAW_STATES + 2)

static float clip(float value, float low, float high)
{
    const float above = value > low ? value : low;
    return above < high ? above : high;
}

static float row_of(const float row[COLUMNS], float value, const float *states, float last)
{
    float total = row[0] * value;
    int i;
    for (i = 0; i < LAW_STATES; i++) {
        total += row[1 + i] * states[i];
    }
    return total + row[COLUMNS - 1] * last;
}

/* The mismatch through the sections, transposed direct form II. */
static float filtered(struct law_axis *axis, int set, int part, float value, int seen)
{
    int i;
    for (i = 0; i < LAW_SECTIONS; i++) {
        const float *c = law_sections[i][LAW_SECTION_SETS > 1 ? set : 0][part];
        float *memory = axis->memory[i];
        const float out = c[0] * value + memory[0];
        if (seen) {
            memory[0] = c[1] * value - c[3] * out + memory[1];
            memory[1] = c[2] * value - c[4] * out;
        }
        value = out;
    }
    return value;
}

static void axis_step(struct law_axis *axis, int mirror, int part, const struct law_input *input)
{
    const int set = LAW_SETS > 1 ? mirror : 0, which = input->seen ? 0 : 1;
    const float mismatch = input->seen ? input->reference[part] - input->position[part] : 0.0f;
    const float filter = filtered(axis, mirror, part, mismatch, input->seen);
    const float value = input->seen ? filter : 0.0f;
    float before[LAW_STATES_KEPT], after[LAW_STATES_KEPT], wanted, granted;
    int i;
    for (i = 0; i < LAW_STATES; i++) {
        before[i] = law_previous[i] && !axis->known ? filter : axis->states[i];
    }
    for (i = 0; i < LAW_STATES; i++) {
        after[i] = row_of(law_rows[which][set][part][i], value, before, axis->correction);
    }
    wanted = row_of(law_rows[which][set][part][LAW_STATES], value, after, axis->correction);
    granted = clip(wanted, input->lowest[part], input->highest[part]);
    for (i = 0; i < LAW_STATES; i++) {
        if (input->seen && law_conditional[i]) {
            /* Stand still where the change would press against the limit. */
            const float change = after[i] - axis->states[i];
            const float kept = (wanted - granted) * change > 0.0f ? axis->states[i] : after[i];
            after[i] = clip(kept, input->lowest[part], input->highest[part]);
        }
        axis->states[i] = after[i];
    }
    axis->known = input->seen != 0;
    axis->correction = granted;
}

void law_step(struct law_state *state, int mirror, const struct law_input *input)
{
    int part;
    for (part = 0; part < 2; part++) {
        axis_step(&state->axis[part], mirror, part, input);
    }
}

void law_start(struct law_state *state, int mirror, const float standing[2])
{
    const int set = LAW_STANDING_SETS > 1 ? mirror : 0;
    int part, i;
    for (part = 0; part < 2; part++) {
        struct law_axis *axis = &state->axis[part];
        axis->correction = standing[part];
        for (i = 0; i < LAW_STATES; i++) {
            axis->states[i] = law_previous[i] ? 0.0f : law_standing[set][part][i] * standing[part];
        }
        for (i = 0; i < LAW_SECTIONS; i++) {
            axis->memory[i][0] = axis->memory[i][1] = 0.0f;
        }
        axis->known = 0;
    }
}
