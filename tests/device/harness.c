#include "harness.h"

#include <stdlib.h>

/* ---- the fake port ---- */

static void note(struct harness *h, const struct h_call *call)
{
    h->call[h->calls++ % H_CALLS] = *call;
}

static void set_rate(void *context, uint32_t rate_hz)
{
    struct h_call call = {.what = H_SET_RATE, .which = rate_hz};
    note(context, &call);
}

static void drive(void *context, const struct nt_motion *motion)
{
    struct harness *h = context;
    struct h_call call = {
        .travel_counts = motion->travel_counts,
        .setpoint = (double)motion->setpoint,
        .speed_limit = (double)motion->speed_limit,
        .ramp = (double)motion->ramp,
        .what = H_DRIVE,
        .which = motion->axis,
        .mode = motion->mode,
    };
    h->on[motion->axis] = true;
    note(h, &call);
}

static void drive_off(void *context, uint8_t axis, float ramp)
{
    struct harness *h = context;
    struct h_call call = {.what = H_DRIVE_OFF, .which = axis, .ramp = (double)ramp};
    h->on[axis] = false;
    note(h, &call);
}

static bool moving(void *context)
{
    const struct harness *h = context;
    return (h->on[NT_AXIS_DRIVE] && !h->stands) || h->moves_alone;
}

static void set_output(void *context, uint8_t output, bool on)
{
    struct harness *h = context;
    struct h_call call = {.what = H_SET_OUTPUT, .which = output, .on = on ? 1u : 0u};
    h->out[output] = on;
    note(h, &call);
}

static void set_lease(void *context, bool live)
{
    struct harness *h = context;
    struct h_call call = {.what = H_SET_LEASE, .on = live ? 1u : 0u};
    h->lease_line = live;
    note(h, &call);
}

static float slow(void *context, uint8_t channel)
{
    const struct harness *h = context;
    return h->slow[channel];
}

bool h_call(const struct harness *h, uint32_t number, struct h_call *out)
{
    if (number >= h->calls || h->calls - number > H_CALLS) {
        return false;
    }
    *out = h->call[number % H_CALLS];
    return true;
}

/* ---- making one ---- */

struct harness *h_new(void)
{
    struct harness *h = calloc(1, sizeof *h);
    if (h == NULL) {
        abort();
    }
    struct nt_port port = {h, set_rate, drive, drive_off, moving, set_output, set_lease, slow};
    struct nt_board board = {
        .sheet = h->sheet,
        .firmware = "harness 1",
        .serial = "bench 0001",
        .build = "harness",
        .rates_hz = h->rates_hz,
        .rates = 4,
        .tick_hz = 1000000,
        .features = NT_FEATURE_DRIVE | NT_FEATURE_OUTPUTS | NT_FEATURE_FIRMWARE | NT_FEATURE_EXTREMES,
        .modes = NT_MODE_BIT(NT_AXIS_DRIVE, NT_DRIVE_MODE_SPEED) |
                 NT_MODE_BIT(NT_AXIS_DRIVE, NT_DRIVE_MODE_TRAVEL) |
                 NT_MODE_BIT(NT_AXIS_ACTUATOR, NT_DRIVE_MODE_TORQUE),
        .outputs = 0xFu,
        .inputs_for_motion = NT_INPUT_GUARD_CLOSED | NT_INPUT_STOP_CHAIN_HEALTHY,
        .inputs_against = NT_INPUT_DRIVE_FAULT,
        .speed_max = 7.0f,
        .torque_max = 20.0f,
        .ramp_least = 1.0f,
        .ramp_stop = 50.0f,
        .rail_low = -8388608,
        .rail_high = 8388607,
        .trip_counts = 6000000,
    };
    static const uint32_t rates_hz[] = {1000, 100, 500, 10000};
    memcpy(h->rates_hz, rates_hz, sizeof rates_hz);
    h->port = port;
    h->board = board;
    h->inputs = NT_INPUT_GUARD_CLOSED | NT_INPUT_STOP_CHAIN_HEALTHY;
    return h;
}

void h_free(struct harness *h)
{
    free(h);
}

void h_sheet(struct harness *h, const uint8_t *sheet, uint32_t n, uint64_t digest)
{
    memcpy(h->sheet, sheet, n);
    h->board.sheet_bytes = n;
    h->board.sheet_digest = digest;
}

void h_firmware(struct harness *h, const char *version)
{
    h->board.firmware = version;
}

void h_limit(struct harness *h, uint8_t channel, float degc_max)
{
    struct nt_temperature_limit limit = {channel, degc_max};
    h->board.temperature_limit[h->board.temperature_limits++] = limit;
}

void h_slow(struct harness *h, uint8_t channel, float value)
{
    h->slow[channel] = value;
}

/* A start wipes everything out but what the board is. */
void h_start(struct harness *h, uint32_t boot_id, uint8_t cause, uint32_t self_test, uint64_t tick)
{
    memset(&h->d, 0xA5, sizeof h->d); /* the core must not rely on zeroed memory */
    h->boot.boot_id = boot_id;
    h->boot.reset_cause = cause;
    h->boot.self_test = self_test;
    h->now = tick;
    h->asked = false;
    h->frames = 0;
    h->calls = 0;
    h->broken = NULL;
    nt_deframer_init(&h->back);
    nt_device_init(&h->d, &h->board, &h->port, &h->boot, tick);
}

/* ---- time and bytes ---- */

static void at(struct harness *h, uint64_t tick)
{
    if (tick > h->now) {
        h->now = tick;
    }
}

void h_receive(struct harness *h, const uint8_t *bytes, size_t n, uint64_t tick)
{
    at(h, tick);
    nt_device_poll(&h->d, tick); /* as nt_device_receive does, so that the lease is the one it sees */
    uint16_t session = h->d.link.session;
    bool live = h->d.motion.lease.state == NT_LEASE_STATE_LIVE;
    nt_device_receive(&h->d, bytes, n, tick);
    bool one = h->d.deframer.frames == h->frames + 1u;
    if (live && one && h->d.link.session != session && h->d.link.session != 0 && h->broken == NULL) {
        h->broken = "a device was taken over while the lease of its session lived";
    }
    if (h->d.deframer.frames != h->frames) {
        h->frames = h->d.deframer.frames;
        h->asked = true;
        h->asked_tick = h->now;
    }
}

void h_poll(struct harness *h, uint64_t tick)
{
    at(h, tick);
    nt_device_poll(&h->d, tick);
}

void h_sample(struct harness *h, uint64_t tick, int32_t torque, int64_t encoder, uint16_t inputs,
              uint16_t flags)
{
    struct nt_sample sample = {tick, encoder, torque, inputs, flags};
    h_poll(h, tick); /* as a port does, so that nothing outlives its time */
    nt_device_sample(&h->d, &sample);
}

int32_t h_torque_at(uint64_t tick)
{
    return (int32_t)((tick * 7919u + tick / 1000u) % 4194304u) - 2097152;
}

int64_t h_encoder_at(uint64_t tick)
{
    return (int64_t)(tick / 7u) - 100000;
}

void h_advance(struct harness *h, uint64_t tick)
{
    uint64_t latch;
    while (nt_device_sample_due(&h->d, tick, &latch)) {
        latch += (uint64_t)h->lose * h->d.sampler.period_ticks;
        if (latch > tick) {
            break;
        }
        h->lose = 0;
        h_sample(h, latch, h_torque_at(latch), h_encoder_at(latch), h->inputs, h->flags);
    }
    h_poll(h, tick);
}
