/* The plant as the core sees it: its board, its drive, its relays and its slow channels. The motion lease,
 * the outputs and the trips are no safety function, here as little as on a real board. */
#include "nt_plant_sheet.h"
#include "nt_plant_units.h"

#include <math.h>

#define RAMP_URAD_S2 2000000u /* when a command names none */
#define MICRO_MAX                                                                                            \
    4000.0f /* 4000 rad/s or rad/s² in millionths still fit into 32 bits; nothing here goes so far */
#define RAMP_NM_S_MAX 2000.0f

static const uint32_t rates_hz[] = {1000u, 100u, 200u, 250u, 500u, 2000u, 2500u, 5000u, 10000u, 20000u};

const struct nt_board nt_plant_board = {
    .sheet = nt_plant_sheet,
    .sheet_bytes = NT_PLANT_SHEET_BYTES,
    .sheet_digest = NT_PLANT_SHEET_DIGEST,
    .firmware = "1.0.0",
    .serial = "PLANT-1",
    .build = "plant",
    .rates_hz = rates_hz,
    .rates = sizeof rates_hz / sizeof rates_hz[0],
    .tick_hz = 1000000u,
    .features = NT_FEATURE_DRIVE | NT_FEATURE_OUTPUTS | NT_FEATURE_FIRMWARE | NT_FEATURE_EXTREMES,
    .modes = NT_MODE_BIT(NT_AXIS_DRIVE, NT_DRIVE_MODE_SPEED) |
             NT_MODE_BIT(NT_AXIS_DRIVE, NT_DRIVE_MODE_TRAVEL) |
             NT_MODE_BIT(NT_AXIS_ACTUATOR, NT_DRIVE_MODE_TORQUE),
    .outputs = 1u << NT_OUTPUT_SHUNT | 1u << NT_OUTPUT_BRAKE | 1u << NT_OUTPUT_WINDING | 1u << NT_OUTPUT_LAMP,
    .inputs_for_motion = NT_INPUT_GUARD_CLOSED | NT_INPUT_STOP_CHAIN_HEALTHY,
    .inputs_against = NT_INPUT_DRIVE_FAULT,
    .speed_max = 62.8f,
    .torque_max = 15.0f,
    .ramp_least = 1.0f,
    .ramp_stop = 50.0f,
    .rail_low = -8388608,
    .rail_high = 8388607,
    .trip_counts = 5242880, /* 25 N·m: above rated torque with the shunt on */
    .slow_channels = NT_PLANT_SLOW_CHANNELS,
    .temperature_limits = 1,
    .temperature_limit = {{NT_PLANT_SLOW_WINDING, NT_PLANT_WINDING_DEGC_MAX}},
};

/* ---- drive ---- */

/* Millionths of a size, whatever the float is. */
static uint32_t micro(float value)
{
    float size = fabsf(value);
    return size < MICRO_MAX ? (uint32_t)(size * 1e6f) : (uint32_t)(MICRO_MAX * 1e6f);
}

static uint64_t ramp_of(const struct nt_plant *plant, float ramp)
{
    uint32_t urad_s2 = ramp > 0.0f ? micro(ramp) : RAMP_URAD_S2;
    return nt_plant_speed(urad_s2, plant->rate_hz) / plant->rate_hz;
}

static void set_torque(struct nt_plant *plant, float torque, float ramp)
{
    float nm_s = ramp < RAMP_NM_S_MAX ? ramp : RAMP_NM_S_MAX;
    int64_t unm = (int64_t)(torque * 1e6f);
    plant->torque_ramp_unm_s = nm_s > 0.0f ? (int32_t)(nm_s * 1e6f) : NT_PLANT_TORQUE_RAMP_UNM_S;
    plant->torque_step = nt_plant_torque_step(plant->torque_ramp_unm_s, plant->rate_hz);
    plant->torque_target = unm * NT_PLANT_COUNTS_PER_NM_X5 / 5000 * 65536 / 1000;
}

static void drive(void *context, const struct nt_motion *motion)
{
    struct nt_plant *plant = context;
    uint32_t urad_s = micro(motion->setpoint);
    uint64_t speed = nt_plant_speed(urad_s != 0 ? urad_s : 1u, plant->rate_hz);
    if (motion->axis == NT_AXIS_ACTUATOR) {
        set_torque(plant, motion->setpoint, motion->ramp);
        plant->energised = true;
    } else if (motion->mode == NT_DRIVE_MODE_TRAVEL) {
        nt_plant_axis_travel(&plant->drive, motion->travel_counts, speed, ramp_of(plant, motion->ramp));
    } else {
        int64_t signed_speed = motion->setpoint < 0.0f ? -(int64_t)speed : (int64_t)speed;
        nt_plant_axis_turn(&plant->drive, signed_speed, ramp_of(plant, motion->ramp));
    }
}

static void drive_off(void *context, uint8_t axis, float ramp)
{
    struct nt_plant *plant = context;
    if (axis == NT_AXIS_ACTUATOR) {
        set_torque(plant, 0.0f, ramp);
        plant->energised = false;
    } else if (nt_plant_axis_moves(&plant->drive)) {
        nt_plant_axis_turn(&plant->drive, 0, ramp_of(plant, ramp));
    }
}

static bool moving(void *context)
{
    const struct nt_plant *plant = context;
    return nt_plant_axis_moves(&plant->drive);
}

/* ---- relays ---- */

static void set_output(void *context, uint8_t output, bool on)
{
    struct nt_plant *plant = context;
    uint32_t bit = 1u << output;
    plant->outputs = (uint8_t)(on ? plant->outputs | bit : plant->outputs & ~bit);
}

static void set_lease(void *context, bool live)
{
    struct nt_plant *plant = context;
    plant->lease_live = live;
}

static void set_rate(void *context, uint32_t rate_hz)
{
    nt_plant_change_rate(context, rate_hz);
}

/* ---- slow channels ---- */

static float slow(void *context, uint8_t channel)
{
    const struct nt_plant *plant = context;
    switch (channel) {
    case NT_PLANT_SLOW_HOUSING:
        return (float)plant->heat.housing / 1e6f;
    case NT_PLANT_SLOW_WINDING:
        if ((plant->faults & NT_PLANT_WINDING_UNKNOWN) != 0) {
            return NAN;
        }
        return (plant->faults & NT_PLANT_WINDING_HOT) != 0 ? (float)NT_PLANT_HOT_DEGC
                                                           : (float)plant->heat.winding / 1e6f;
    case NT_PLANT_SLOW_BEARING:
        return (float)plant->heat.bearing / 1e6f;
    case NT_PLANT_SLOW_BRIDGE:
        return (float)plant->heat.bridge / 1e6f;
    case NT_PLANT_SLOW_AMBIENT:
        return (float)NT_PLANT_AMBIENT_UDEGC / 1e6f;
    case NT_PLANT_SLOW_SUPPLY:
        return 24.0f;
    default: /* excitation */
        return 5.0f;
    }
}

void nt_plant_port(struct nt_plant *plant, struct nt_port *port)
{
    *port = (struct nt_port){
        .context = plant,
        .set_rate = set_rate,
        .drive = drive,
        .drive_off = drive_off,
        .moving = moving,
        .set_output = set_output,
        .set_lease = set_lease,
        .slow = slow,
    };
}
