#include "nt_device.h"

#include <math.h>

#include "nt_cobs.h"
#include "nt_crc32c.h"
#include "nt_link.h"

void nt_device_init(struct nt_device *d, const struct nt_board *board, const struct nt_port *port,
                    const struct nt_boot *boot, uint64_t tick)
{
    memset(&d->link, 0, sizeof d->link);
    d->board = board;
    d->port = port;
    d->boot = *boot;
    d->link.idle = true;
    d->link.cpu_pct = NT_CPU_UNKNOWN;
    d->link.tick = tick;
    d->link.status_tick = tick;
    d->temperature_tick = tick;
    nt_deframer_init(&d->deframer);
    nt_replies_init(&d->replies);
    nt_ring_init(&d->ring);
    nt_sampler_init(&d->sampler, board, tick);
    nt_overload_init(&d->overload);
    nt_events_init(&d->events, board->tick_hz);
    nt_motion_init(&d->motion, board, port);
    nt_trips_init(&d->trips, board);
    struct nt_happening what = {boot->reset_cause, 0, NT_EVENT_CODE_BOOT, NT_SEVERITY_INFO, false};
    nt_events_raise(&d->events, tick, &what);
}

void nt_device_receive(struct nt_device *d, const uint8_t *bytes, size_t n, uint64_t tick)
{
    nt_device_poll(d, tick); /* what has run out by now must not be helped by what arrives now */
    for (size_t i = 0; i < n; i++) {
        size_t body_bytes = nt_deframer_byte(&d->deframer, bytes[i]);
        if (body_bytes != 0) {
            nt_link_frame(d, d->deframer.piece, body_bytes, tick);
        }
    }
}

bool nt_device_sample_due(const struct nt_device *d, uint64_t now_tick, uint64_t *latch_tick)
{
    *latch_tick = d->sampler.next_tick;
    return now_tick >= d->sampler.next_tick;
}

void nt_device_sample(struct nt_device *d, const struct nt_sample *sample)
{
    d->sampler.shunted = (d->motion.outputs & (1u << NT_OUTPUT_SHUNT)) != 0;
    (void)nt_sampler_take(&d->sampler, &d->ring, sample);
    /* Also one that came too early to have a number: a wrong tick must not blind memory and trips. */
    if (!d->sampler.shunted) {
        nt_overload_take(&d->overload, sample->tick, sample->torque);
    }
    if (nt_trips_sample(&d->trips, &d->events, sample, d->motion.driven)) {
        nt_motion_stop(&d->motion);
    }
}

/* Lease and outputs run out on the device's own clock. */
static void expire(struct nt_device *d, uint64_t tick)
{
    if (nt_motion_lease_over(&d->motion, tick)) {
        uint8_t driven = nt_motion_lapse(&d->motion);
        if (driven != 0) {
            struct nt_happening what = {driven, 0, NT_EVENT_CODE_LEASE_LAPSED, NT_SEVERITY_ALARM, true};
            nt_events_raise(&d->events, tick, &what);
        }
    }
    uint8_t gone = nt_motion_expire(&d->motion, tick);
    for (uint8_t output = 0; output < NT_OUTPUTS; output++) {
        if ((gone & (1u << output)) != 0) {
            struct nt_happening what = {output, 0, NT_EVENT_CODE_OUTPUT_EXPIRED, NT_SEVERITY_INFO, false};
            nt_events_raise(&d->events, tick, &what);
        }
    }
}

static void read_temperatures(struct nt_device *d, uint64_t tick)
{
    bool stop = false;
    nt_trips_slow_begin(&d->trips);
    for (uint8_t channel = 0; channel < d->board->slow_channels; channel++) {
        float value = d->port->slow(d->port->context, channel);
        stop = nt_trips_slow(&d->trips, &d->events, tick, channel, value) || stop;
    }
    if (stop && d->motion.driven != 0) {
        nt_motion_stop(&d->motion);
    }
}

/* Whether something that happens every `ms` is due; if so, `next_tick` goes on to its next time. */
static bool comes_round(const struct nt_device *d, uint64_t *next_tick, uint32_t ms, uint64_t tick)
{
    if (tick < *next_tick) {
        return false;
    }
    uint64_t period = (uint64_t)ms * d->board->tick_hz / 1000u;
    *next_tick += ((tick - *next_tick) / period + 1u) * period;
    return true;
}

void nt_device_poll(struct nt_device *d, uint64_t tick)
{
    tick = nt_link_now(d, tick);
    expire(d, tick);
    if (comes_round(d, &d->temperature_tick, NT_TEMPERATURE_MS, tick)) {
        read_temperatures(d, tick);
    }
    if (comes_round(d, &d->link.status_tick, d->sampler.setup.status_ms, tick)) {
        d->link.status_due = true;
        d->link.slow_due = d->board->slow_channels != 0;
    }
}

void nt_device_note_overrun(struct nt_device *d, uint32_t bytes)
{
    d->link.overrun += bytes;
}

void nt_device_note_stall(struct nt_device *d)
{
    d->link.tx_stalls++;
}

void nt_device_note_cpu(struct nt_device *d, uint8_t percent)
{
    d->link.cpu_pct = percent;
}

void nt_device_note_blind(struct nt_device *d, uint64_t tick)
{
    if (nt_trips_blind(&d->trips, &d->events, nt_link_now(d, tick))) {
        nt_motion_stop(&d->motion);
    }
}

bool nt_device_motion_forbidden(const struct nt_device *d)
{
    return nt_trips_interlocked(&d->trips) || d->boot.self_test != 0 || nt_events_latched(&d->events) != 0 ||
           (d->motion.outputs & (1u << NT_OUTPUT_BRAKE)) != 0;
}

/* A limit that compares with nothing would let everything through. */
static bool limits_hold(const struct nt_board *board)
{
    const float limits[] = {board->speed_max, board->torque_max, board->ramp_least, board->ramp_stop};
    bool hold = board->trip_counts >= 0 && board->temperature_limits <= NT_TEMPERATURE_LIMITS_MAX;
    for (size_t i = 0; i < sizeof limits / sizeof limits[0]; i++) {
        hold = hold && isfinite(limits[i]) && limits[i] >= 0.0f;
    }
    for (uint8_t i = 0; hold && i < board->temperature_limits;
         i++) { /* nobody reads a channel that is not there */
        hold = board->temperature_limit[i].channel < board->slow_channels;
    }
    return hold;
}

static bool is_sound(const struct nt_board *board)
{
    bool sound = board->rates != 0 && board->rail_low < board->rail_high &&
                 board->slow_channels <= NT_SLOW_CHANNELS_MAX && limits_hold(board);
    for (uint32_t i = 0; i < board->rates; i++) {
        sound = sound && board->rates_hz[i] != 0 && board->tick_hz % board->rates_hz[i] == 0;
    }
    return sound;
}

uint32_t nt_self_test(const struct nt_board *board)
{
    static const uint8_t check[] = {'1', '2', '3', '4', '5', '6', '7', '8', '9'};
    static const uint8_t plain[] = {0x11, 0x00, 0x00, 0x22};
    static const uint8_t stuffed[] = {0x02, 0x11, 0x01, 0x02, 0x22};
    uint8_t out[sizeof plain + 2u];
    uint32_t failed = 0;
    if (nt_crc32c(0, check, sizeof check) != 0xE3069283u) {
        failed |= NT_SELF_TEST_CRC;
    }
    if (nt_cobs_encode(out, plain, sizeof plain) != sizeof stuffed ||
        memcmp(out, stuffed, sizeof stuffed) != 0) {
        failed |= NT_SELF_TEST_COBS;
    }
    if (board->sheet == NULL || board->sheet_bytes == 0 || board->sheet_bytes > NT_SHEET_BYTES_MAX) {
        failed |= NT_SELF_TEST_SHEET;
    }
    if (!is_sound(board)) {
        failed |= NT_SELF_TEST_BOARD;
    }
    return failed;
}
