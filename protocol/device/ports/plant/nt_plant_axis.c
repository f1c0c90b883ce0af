#include "nt_plant_axis.h"

static uint64_t size_of(int64_t value)
{
    return value < 0 ? 0u - (uint64_t)value : (uint64_t)value;
}

/* Floor of a / b, and what is left. */
static int64_t divide(int64_t a, uint32_t b, uint32_t *rest)
{
    int64_t quotient = a / (int64_t)b;
    int64_t left = a % (int64_t)b;
    if (left < 0) {
        quotient--;
        left += (int64_t)b;
    }
    *rest = (uint32_t)left;
    return quotient;
}

/* Floor of a * 2^32 / b without 128-bit numbers; b is below 2^63 and the result has to fit. */
static uint64_t ratio_q32(uint64_t a, uint64_t b)
{
    uint64_t quotient = a / b;
    uint64_t rest = a % b;
    for (int bit = 0; bit < 32; bit++) {
        quotient <<= 1;
        rest <<= 1;
        if (rest >= b) {
            rest -= b;
            quotient |= 1u;
        }
    }
    return quotient;
}

static uint32_t root(uint64_t square)
{
    uint64_t found = 0;
    for (uint64_t bit = (uint64_t)1 << 31; bit != 0; bit >>= 1) {
        uint64_t more = found | bit;
        if (more * more <= square) {
            found = more;
        }
    }
    return (uint32_t)found;
}

static uint32_t steps_of(uint64_t change, uint64_t ramp)
{
    uint64_t least = change / NT_PLANT_LEG_SAMPLES_MAX + 1u;
    uint64_t step = ramp < least ? least : ramp;
    return (uint32_t)((change + step - 1u) / step);
}

static void enter(struct nt_plant_axis *axis)
{
    const struct nt_plant_leg *leg = &axis->leg[0];
    axis->step = divide(leg->speed - axis->speed, leg->samples, &axis->extra);
    axis->spread = 0;
    axis->done = 0;
}

static void add_leg(struct nt_plant_axis *axis, int64_t speed, uint32_t samples)
{
    if (samples == 0) {
        return;
    }
    axis->leg[axis->legs].speed = speed;
    axis->leg[axis->legs].samples = samples;
    axis->legs++;
    if (axis->legs == 1) {
        enter(axis);
    }
}

static void finish_leg(struct nt_plant_axis *axis)
{
    axis->speed = axis->leg[0].speed;
    axis->legs--;
    for (uint8_t i = 0; i < axis->legs; i++) {
        axis->leg[i] = axis->leg[i + 1u];
    }
    if (axis->legs != 0) {
        enter(axis);
    } else if (axis->travels) { /* rounding on the way was far below a count */
        axis->counts = axis->target;
        axis->fraction = axis->target_fraction;
        axis->travels = false;
    }
}

static void move(struct nt_plant_axis *axis, int64_t by)
{
    /* In two's complement the low word is the fraction and an arithmetic shift rounds down. */
    uint64_t fraction = (uint64_t)axis->fraction + (uint32_t)by;
    axis->counts += (by >> 32) + (int64_t)(fraction >> 32);
    axis->fraction = (uint32_t)fraction;
}

void nt_plant_axis_step(struct nt_plant_axis *axis)
{
    int64_t before = axis->speed;
    if (axis->legs == 0) {
        move(axis, before);
        return;
    }
    const struct nt_plant_leg *leg = &axis->leg[0];
    axis->speed += axis->step;
    axis->spread += axis->extra;
    if (axis->spread >= leg->samples) {
        axis->spread -= leg->samples;
        axis->speed++;
    }
    axis->done++;
    move(axis, (before + axis->speed) / 2); /* the mean of both is exact for a constant acceleration */
    if (axis->done == leg->samples) {
        finish_leg(axis);
    }
}

bool nt_plant_axis_moves(const struct nt_plant_axis *axis)
{
    return axis->speed != 0 || axis->legs != 0;
}

void nt_plant_axis_turn(struct nt_plant_axis *axis, int64_t speed, uint64_t ramp)
{
    axis->legs = 0;
    axis->travels = false;
    int64_t from = axis->speed;
    if ((from < 0 && speed > 0) || (from > 0 && speed < 0)) {
        add_leg(axis, 0, steps_of(size_of(from), ramp));
        from = 0;
    }
    add_leg(axis, speed, steps_of(size_of(speed - from), ramp));
}

void nt_plant_axis_travel(struct nt_plant_axis *axis, int64_t counts, uint64_t speed, uint64_t ramp)
{
    uint64_t farthest = speed / 4u; /* counts in NT_PLANT_LEG_SAMPLES_MAX samples */
    uint64_t distance = size_of(counts) < farthest ? size_of(counts) : farthest;
    uint32_t ramp_samples = steps_of(speed, ramp);
    uint32_t samples = (uint32_t)ratio_q32(distance, speed) + 1u; /* ramps count half: two are one */
    if (samples < ramp_samples) {                                 /* too short a way to reach the speed */
        uint64_t steepest = speed / ramp_samples + 1u;
        samples = root(ratio_q32(distance, steepest)) + 1u;
        ramp_samples = samples;
    }
    int64_t top = (int64_t)ratio_q32(distance, samples);
    int64_t sense = counts < 0 ? -1 : 1;
    axis->legs = 0;
    axis->speed = 0;
    axis->travels = true;
    axis->target = axis->counts + sense * (int64_t)distance;
    axis->target_fraction = axis->fraction;
    add_leg(axis, sense * top, ramp_samples);
    add_leg(axis, sense * top, samples - ramp_samples);
    add_leg(axis, 0, ramp_samples);
}

void nt_plant_axis_rescale(struct nt_plant_axis *axis, uint32_t rate_before, uint32_t rate_after)
{
    int64_t whole = axis->speed / (int64_t)rate_after;
    int64_t rest = axis->speed % (int64_t)rate_after;
    axis->speed = whole * (int64_t)rate_before + rest * (int64_t)rate_before / (int64_t)rate_after;
    axis->legs = 0;
    axis->travels = false;
}
