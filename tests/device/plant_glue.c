/* The plant for Python: plain numbers in and out, so that no layout of a struct has to be written down twice.
 */
#include "nt_plant.h"

static struct nt_plant plant;
static struct nt_port port;

void glue_init(uint32_t seed, uint32_t rate_hz)
{
    nt_plant_init(&plant, seed, rate_hz);
    nt_plant_port(&plant, &port);
}

void glue_restart(uint32_t rate_hz)
{
    nt_plant_restart(&plant, rate_hz);
}

void glue_set_rate(uint32_t rate_hz)
{
    port.set_rate(port.context, rate_hz);
}

void glue_samples(uint32_t count, int32_t *torque, int64_t *encoder, uint16_t *inputs, uint16_t *flags)
{
    struct nt_sample sample = {0};
    for (uint32_t i = 0; i < count; i++) {
        nt_plant_sample(&plant, &sample);
        torque[i] = sample.torque;
        encoder[i] = sample.encoder;
        inputs[i] = sample.inputs;
        flags[i] = sample.flags;
    }
}

void glue_drive(uint8_t axis, uint8_t mode, float setpoint, float ramp, int64_t travel_counts)
{
    struct nt_motion motion = {
        .travel_counts = travel_counts, .setpoint = setpoint, .ramp = ramp, .axis = axis, .mode = mode};
    port.drive(port.context, &motion);
}

void glue_off(uint8_t axis, float ramp)
{
    port.drive_off(port.context, axis, ramp);
}

bool glue_moving(void)
{
    return port.moving(port.context);
}

void glue_output(uint8_t output, bool on)
{
    port.set_output(port.context, output, on);
}

void glue_lease(bool live)
{
    port.set_lease(port.context, live);
}

bool glue_lease_live(void)
{
    return plant.lease_live;
}

void glue_fault(uint8_t faults, bool there)
{
    nt_plant_set_fault(&plant, faults, there);
}

void glue_ready(bool ready)
{
    nt_plant_set_ready(&plant, ready);
}

float glue_slow(uint8_t channel)
{
    return port.slow(port.context, channel);
}

int32_t glue_zero(void)
{
    return plant.zero;
}

/* Order, amplitude and phase of one line of the cogging or ripple table; false behind the last one. */
bool glue_order(bool ripple, uint32_t line, uint32_t *order, int32_t *amplitude, uint32_t *phase)
{
    if (line >= (ripple ? NT_PLANT_RIPPLE_ORDERS : NT_PLANT_COGGING_ORDERS)) {
        return false;
    }
    const struct nt_plant_order *found = ripple ? &nt_plant_ripple[line] : &nt_plant_cogging[line];
    *order = found->order;
    *amplitude = found->amplitude;
    *phase = found->phase;
    return true;
}

/* ---- the board, to be compared with its sheet ---- */

const uint8_t *glue_sheet(uint32_t *bytes, uint64_t *digest)
{
    *bytes = nt_plant_board.sheet_bytes;
    *digest = nt_plant_board.sheet_digest;
    return nt_plant_board.sheet;
}

uint32_t glue_rates(uint32_t *rates_hz)
{
    for (uint32_t i = 0; i < nt_plant_board.rates; i++) {
        rates_hz[i] = nt_plant_board.rates_hz[i];
    }
    return nt_plant_board.rates;
}

/* tick_hz, features, outputs, inputs_for_motion | inputs_against, slow channels, rails and trip. */
void glue_board(int64_t *values, float *limits)
{
    values[0] = nt_plant_board.tick_hz;
    values[1] = nt_plant_board.features;
    values[2] = nt_plant_board.outputs;
    values[3] = nt_plant_board.inputs_for_motion | nt_plant_board.inputs_against;
    values[4] = nt_plant_board.slow_channels;
    values[5] = nt_plant_board.rail_low;
    values[6] = nt_plant_board.rail_high;
    values[7] = nt_plant_board.trip_counts;
    limits[0] = nt_plant_board.speed_max;
    limits[1] = nt_plant_board.torque_max;
    limits[2] = nt_plant_board.temperature_limit[0].degc_max;
}
