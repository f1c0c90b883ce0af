#include "nt_plant.h"

#include "nt_plant_sine.h"
#include "nt_plant_units.h"

#define GOLDEN_TURN 0x61C88647u /* part of a turn that spreads phases well: (3 - sqrt 5) / 2 of 2^32 */
#define PHASE(order) (GOLDEN_TURN * (order) * (order))
#define RAIL_HIGH 8388607
#define RAIL_LOW (-8388608)
#define NOISE_MEAN 510 /* of the sum of four bytes */
#define NOISE_GAIN 364 /* its rms is 147.8; 364 / 256 of that are NT_PLANT_NOISE_COUNTS */
#define RIPPLE_BITS 24 /* 2^24 is the whole set torque */
#define VISCOUS_BITS 36

const struct nt_plant_order nt_plant_cogging[NT_PLANT_COGGING_ORDERS] = {
    {PHASE(1u), 2000, 1},   {PHASE(2u), 1500, 2},      {PHASE(32u), 3000, 32},
    {PHASE(36u), 4000, 36}, {PHASE(288u), 20000, 288}, {PHASE(576u), 6000, 576},
};
const struct nt_plant_order nt_plant_ripple[NT_PLANT_RIPPLE_ORDERS] = {
    {PHASE(16u), 400, 16},
    {PHASE(32u), 500, 32},
    {PHASE(96u), 800, 96},
    {PHASE(192u), 300, 192},
};

/* Xorshift with 32 bits of state, Marsaglia, Journal of Statistical Software 8(14), 2003; the state is never
 * 0. */
static uint32_t draw(struct nt_plant *plant)
{
    uint32_t x = plant->noise;
    x ^= x << 13;
    x ^= x >> 17;
    x ^= x << 5;
    plant->noise = x;
    return x;
}

/* The sum of four bytes is near enough to a normal distribution, and cheap. */
static int32_t noise(struct nt_plant *plant)
{
    uint32_t x = draw(plant);
    uint32_t sum = (x & 0xFFu) + ((x >> 8) & 0xFFu) + ((x >> 16) & 0xFFu) + (x >> 24);
    return ((int32_t)sum - NOISE_MEAN) * NOISE_GAIN / 256;
}

static void set_rate(struct nt_plant *plant, uint32_t rate_hz)
{
    plant->rate_hz = rate_hz;
    plant->until_slow = rate_hz;
    plant->breakaway_speed = (int64_t)nt_plant_speed(NT_PLANT_BREAKAWAY_URAD_S, rate_hz);
    plant->viscous = nt_plant_drag(NT_PLANT_VISCOUS_UNM_S, rate_hz);
    plant->viscous_shorted = nt_plant_drag(NT_PLANT_VISCOUS_UNM_S + NT_PLANT_SHORTED_UNM_S, rate_hz);
    plant->torque_step = nt_plant_torque_step(plant->torque_ramp_unm_s, rate_hz);
}

void nt_plant_init(struct nt_plant *plant, uint32_t seed, uint32_t rate_hz)
{
    memset(plant, 0, sizeof *plant);
    plant->noise = (seed ^ 0x9E3779B9u) != 0 ? seed ^ 0x9E3779B9u : 1u;
    for (int i = 0; i < 16; i++) { /* neighbouring seeds begin alike */
        draw(plant);
    }
    plant->drive.counts = draw(plant) % NT_PLANT_COUNTS_PER_REV;
    plant->zero =
        NT_PLANT_ZERO_COUNTS - NT_PLANT_ZERO_SPREAD + (int32_t)(draw(plant) % (2u * NT_PLANT_ZERO_SPREAD));
    for (uint32_t i = 0; i < NT_PLANT_COGGING_ORDERS; i++) {
        plant->cogging_gain[i] = nt_plant_counts(nt_plant_cogging[i].amplitude);
    }
    for (uint32_t i = 0; i < NT_PLANT_RIPPLE_ORDERS; i++) {
        plant->ripple_gain[i] = (int32_t)(((int64_t)nt_plant_ripple[i].amplitude << RIPPLE_BITS) / 1000000);
    }
    int32_t start = NT_PLANT_AMBIENT_UDEGC;
    plant->heat = (struct nt_plant_heat){start, start, start, start};
    plant->torque_ramp_unm_s = NT_PLANT_TORQUE_RAMP_UNM_S;
    plant->ready = true;
    set_rate(plant, rate_hz);
}

void nt_plant_change_rate(struct nt_plant *plant, uint32_t rate_hz)
{
    if (rate_hz != plant->rate_hz) {
        nt_plant_axis_rescale(&plant->drive, plant->rate_hz, rate_hz);
        set_rate(plant, rate_hz);
    }
}

void nt_plant_restart(struct nt_plant *plant, uint32_t rate_hz)
{
    int64_t turns = plant->drive.counts / NT_PLANT_COUNTS_PER_REV;
    if (plant->drive.counts % NT_PLANT_COUNTS_PER_REV < 0) {
        turns--;
    }
    plant->drive.counts -= turns * NT_PLANT_COUNTS_PER_REV;
    plant->blind_at -= turns * NT_PLANT_COUNTS_PER_REV;
    plant->drive.legs = 0;
    plant->drive.travels = false;
    nt_plant_change_rate(plant, rate_hz);
}

void nt_plant_set_ready(struct nt_plant *plant, bool ready)
{
    plant->ready = ready;
}

void nt_plant_set_fault(struct nt_plant *plant, uint8_t faults, bool there)
{
    if (there && (faults & ~plant->faults & NT_PLANT_ENCODER_BLIND) != 0) {
        plant->blind_at = plant->drive.counts;
    }
    plant->faults = (uint8_t)(there ? plant->faults | faults : plant->faults & ~faults);
}

/* ---- torque ---- */

static void step_torque(struct nt_plant *plant)
{
    int64_t left = plant->torque_target - plant->torque;
    if (left > plant->torque_step) {
        left = plant->torque_step;
    } else if (left < -plant->torque_step) {
        left = -plant->torque_step;
    }
    plant->torque += left;
}

static int32_t bounded(int64_t value, int32_t bound)
{
    if (value > bound) {
        return bound;
    }
    return value < -bound ? -bound : (int32_t)value;
}

/* Friction in counts, with the sign of the movement: bristles that bend with the travel from a reversal, stay
 * bent at rest and slip when they are bent all the way; viscous drag on top. */
static int32_t friction(struct nt_plant *plant, int64_t moved)
{
    int64_t speed = plant->drive.speed;
    int64_t size = speed < 0 ? -speed : speed;
    int32_t level = nt_plant_counts(NT_PLANT_COULOMB_UNM);
    if (size < plant->breakaway_speed) {
        int64_t surplus = nt_plant_counts(NT_PLANT_BREAKAWAY_UNM);
        level += (int32_t)(size == 0 ? surplus
                                     : surplus * (plant->breakaway_speed - size) / plant->breakaway_speed);
    }
    plant->deflection = bounded(plant->deflection + moved, NT_PLANT_PRESLIDING_COUNTS);
    bool shorted = (plant->outputs & (1u << NT_OUTPUT_WINDING)) != 0;
    int64_t drag = (speed >> 16) * (shorted ? plant->viscous_shorted : plant->viscous);
    return level * plant->deflection / NT_PLANT_PRESLIDING_COUNTS + (int32_t)(drag >> VISCOUS_BITS);
}

static int32_t cogging(const struct nt_plant *plant, uint32_t angle)
{
    int32_t sum = 0;
    for (uint32_t i = 0; i < NT_PLANT_COGGING_ORDERS; i++) {
        const struct nt_plant_order *order = &nt_plant_cogging[i];
        sum +=
            nt_plant_sine(order->order * angle + order->phase) * plant->cogging_gain[i] >> NT_PLANT_SINE_BITS;
    }
    return sum;
}

/* The set torque with its ripple. */
static int32_t set_torque(const struct nt_plant *plant, uint32_t angle)
{
    int32_t set = (int32_t)(plant->torque >> 16);
    if (set == 0) {
        return 0;
    }
    int64_t sum = 0;
    for (uint32_t i = 0; i < NT_PLANT_RIPPLE_ORDERS; i++) {
        const struct nt_plant_order *order = &nt_plant_ripple[i];
        sum += (int64_t)nt_plant_sine(order->order * angle + order->phase) * plant->ripple_gain[i];
    }
    return set + (int32_t)(set * sum >> (RIPPLE_BITS + NT_PLANT_SINE_BITS));
}

static int32_t bridge(struct nt_plant *plant)
{
    const struct nt_plant_axis *drive = &plant->drive;
    uint32_t angle = (uint32_t)drive->counts << 12 | drive->fraction >> 20;
    int32_t torque =
        plant->zero + cogging(plant, angle) + set_torque(plant, angle) - plant->friction + noise(plant);
    if ((plant->outputs & (1u << NT_OUTPUT_SHUNT)) != 0) {
        torque += nt_plant_counts(NT_PLANT_SHUNT_UNM);
    }
    if ((plant->faults & (NT_PLANT_BRIDGE_OPEN | NT_PLANT_SATURATED)) != 0 || torque > RAIL_HIGH) {
        return RAIL_HIGH;
    }
    return torque < RAIL_LOW ? RAIL_LOW : torque;
}

static uint16_t inputs(const struct nt_plant *plant)
{
    uint32_t word = NT_INPUT_INDEX_SEEN;
    word |= (plant->faults & NT_PLANT_GUARD_OPEN) == 0 ? NT_INPUT_GUARD_CLOSED : 0u;
    word |= (plant->faults & NT_PLANT_STOP_CHAIN_OPEN) == 0 ? NT_INPUT_STOP_CHAIN_HEALTHY : 0u;
    word |= (plant->faults & NT_PLANT_DRIVE_FAILED) != 0 ? NT_INPUT_DRIVE_FAULT : 0u;
    word |= plant->ready ? NT_INPUT_DRIVE_READY : 0u;
    word |= (plant->outputs & (1u << NT_OUTPUT_BRAKE)) == 0 ? NT_INPUT_BRAKE_RELEASED : 0u;
    word |= (plant->outputs & (1u << NT_OUTPUT_WINDING)) != 0 ? NT_INPUT_WINDING_SHORTED : 0u;
    word |= plant->energised ? NT_INPUT_WINDING_ENERGISED : 0u;
    return (uint16_t)word;
}

void nt_plant_sample(struct nt_plant *plant, struct nt_sample *sample)
{
    int64_t before = plant->drive.counts;
    nt_plant_axis_step(&plant->drive);
    step_torque(plant);
    plant->friction = friction(plant, plant->drive.counts - before);
    bool blind = (plant->faults & NT_PLANT_ENCODER_BLIND) != 0;
    sample->torque = bridge(plant);
    sample->encoder = blind ? plant->blind_at : plant->drive.counts;
    sample->inputs = inputs(plant);
    sample->flags =
        (uint16_t)((blind ? NT_SAMPLE_FLAG_ENCODER_FAULT : 0u) |
                   ((plant->faults & NT_PLANT_BRIDGE_OPEN) != 0 ? NT_SAMPLE_FLAG_BRIDGE_FAULT : 0u));
    plant->until_slow--;
    if (plant->until_slow == 0) {
        plant->until_slow = plant->rate_hz;
        nt_plant_warm(plant);
    }
}
