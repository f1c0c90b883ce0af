/* Numbers of a harness by name, so that a test needs no copy of the structs. */
#include "harness.h"
#include "nt_checkin.h"
#include "nt_keep.h"
#include "nt_rx.h"

#define WHOLE(X)                                                                                             \
    X(session, d.link.session)                                                                               \
    X(configured, d.link.configured)                                                                         \
    X(tick, d.link.tick)                                                                                     \
    X(heard_tick, d.link.heard_tick)                                                                         \
    X(strays, d.link.strays)                                                                                 \
    X(resent, d.link.resent)                                                                                 \
    X(probes, d.link.probes)                                                                                 \
    X(status_tick, d.link.status_tick)                                                                       \
    X(bad_crc, d.deframer.bad_crc)                                                                           \
    X(bad_cobs, d.deframer.bad_cobs)                                                                         \
    X(undersize, d.deframer.undersize)                                                                       \
    X(oversize, d.deframer.oversize)                                                                         \
    X(torn, d.deframer.torn)                                                                                 \
    X(frames, d.deframer.frames)                                                                             \
    X(running, d.sampler.running)                                                                            \
    X(next_index, d.sampler.next_index)                                                                      \
    X(next_tick, d.sampler.next_tick)                                                                        \
    X(misplaced, d.sampler.misplaced)                                                                        \
    X(overrange, d.sampler.overrange)                                                                        \
    X(config_epoch, d.sampler.config_epoch)                                                                  \
    X(period_ticks, d.sampler.period_ticks)                                                                  \
    X(block_samples, d.sampler.count)                                                                        \
    X(oldest_seq, d.ring.oldest_seq)                                                                         \
    X(next_seq, d.ring.next_seq)                                                                             \
    X(next_send, d.ring.next_send)                                                                           \
    X(overwritten_unsent, d.ring.overwritten_unsent)                                                         \
    X(high_water, d.ring.high_water)                                                                         \
    X(events_kept, d.events.count)                                                                           \
    X(events_suppressed, d.events.suppressed)                                                                \
    X(next_event_no, d.events.next_no)                                                                       \
    X(memory_no, d.overload.memory_no)                                                                       \
    X(lease_state, d.motion.lease.state)                                                                     \
    X(lease_deadline, d.motion.lease.deadline)                                                               \
    X(lease_seen, d.motion.lease.seen_tick)                                                                  \
    X(leases_refused, d.motion.lease.refused)                                                                \
    X(driven, d.motion.driven)                                                                               \
    X(outputs, d.motion.outputs)                                                                             \
    X(standing, d.trips.standing)                                                                            \
    X(lease_line, lease_line)                                                                                \
    X(moves_alone, moves_alone)                                                                              \
    X(stands, stands)                                                                                        \
    X(inputs, inputs)                                                                                        \
    X(flags, flags)                                                                                          \
    X(lose, lose)                                                                                            \
    X(calls, calls)                                                                                          \
    X(flash_crc, boot.flash_crc)                                                                             \
    X(config_hash, boot.config_hash)                                                                         \
    X(crash_pc, boot.crash_pc)                                                                               \
    X(crash_lr, boot.crash_lr)                                                                               \
    X(crash_cause, boot.crash_cause)

#define BOARD(X)                                                                                             \
    X(tick_hz, uint32_t)                                                                                     \
    X(rates, uint32_t)                                                                                       \
    X(features, uint32_t)                                                                                    \
    X(modes, uint32_t)                                                                                       \
    X(outputs, uint32_t)                                                                                     \
    X(inputs_for_motion, uint16_t)                                                                           \
    X(inputs_against, uint16_t)                                                                              \
    X(speed_max, float)                                                                                      \
    X(torque_max, float)                                                                                     \
    X(ramp_least, float)                                                                                     \
    X(ramp_stop, float)                                                                                      \
    X(rail_low, int32_t)                                                                                     \
    X(rail_high, int32_t)                                                                                    \
    X(trip_counts, int32_t)                                                                                  \
    X(sheet_bytes, uint32_t)                                                                                 \
    X(temperature_limits, uint8_t)                                                                           \
    X(slow_channels, uint8_t)

/* What a board may leave out. */
#define PORT(X)                                                                                              \
    X(set_rate)                                                                                              \
    X(drive_off)                                                                                             \
    X(moving)                                                                                                \
    X(set_output)                                                                                            \
    X(set_lease)

bool h_board(struct harness *h, const char *name, double value)
{
#define SET(field, type)                                                                                     \
    if (strcmp(name, #field) == 0) {                                                                         \
        h->board.field = (type)value;                                                                        \
        return true;                                                                                         \
    }
    BOARD(SET)
#undef SET
#define LEAVE_OUT(function)                                                                                  \
    if (strcmp(name, "without_" #function) == 0) {                                                           \
        h->port.function = NULL;                                                                             \
        return true;                                                                                         \
    }
    PORT(LEAVE_OUT)
#undef LEAVE_OUT
    for (uint32_t i = 0; i < H_RATES; i++) {
        char rate[] = "rate0";
        rate[4] = (char)('0' + i);
        if (strcmp(name, rate) == 0) {
            h->rates_hz[i] = (uint32_t)value;
            return true;
        }
    }
    return false;
}

bool h_has(const char *name)
{
#define IS(known, field)                                                                                     \
    if (strcmp(name, #known) == 0) {                                                                         \
        return true;                                                                                         \
    }
    WHOLE(IS)
#undef IS
    return false;
}

uint64_t h_get(const struct harness *h, const char *name)
{
#define GET(known, field)                                                                                    \
    if (strcmp(name, #known) == 0) {                                                                         \
        return (uint64_t)h->field;                                                                           \
    }
    WHOLE(GET)
#undef GET
    return 0;
}

void h_set(struct harness *h, const char *name, uint64_t value)
{
#define SET(known, field)                                                                                    \
    if (strcmp(name, #known) == 0) {                                                                         \
        memcpy(&h->field, &value, sizeof h->field); /* little-endian, as every machine that runs this */     \
    }
    WHOLE(SET)
#undef SET
}

size_t h_size(const char *name)
{
    static const struct {
        const char *name;
        size_t bytes;
    } known[] = {
        {"nt_deframer", sizeof(struct nt_deframer)},
        {"nt_ring", sizeof(struct nt_ring)},
        {"nt_keep", sizeof(struct nt_keep)},
        {"nt_boot", sizeof(struct nt_boot)},
        {"nt_rx", sizeof(struct nt_rx)},
        {"h_call", sizeof(struct h_call)},
    };
    for (size_t i = 0; i < sizeof known / sizeof known[0]; i++) {
        if (strcmp(name, known[i].name) == 0) {
            return known[i].bytes;
        }
    }
    return 0;
}

uint32_t h_self_test(const struct harness *h)
{
    return nt_self_test(&h->board);
}

bool h_forbidden(const struct harness *h)
{
    return nt_device_motion_forbidden(&h->d);
}

void h_blind(struct harness *h, uint64_t tick)
{
    h->now = tick > h->now ? tick : h->now;
    nt_device_note_blind(&h->d, tick);
}

void h_note(struct harness *h, uint32_t overrun, uint32_t stalls, uint8_t cpu_pct)
{
    nt_device_note_overrun(&h->d, overrun);
    for (uint32_t i = 0; i < stalls; i++) {
        nt_device_note_stall(&h->d);
    }
    nt_device_note_cpu(&h->d, cpu_pct);
}

/* The inline functions of nt_checkin.h, on one byte. */
bool h_checkin(uint8_t *seen, uint8_t part)
{
    struct nt_checkin c = {*seen};
    nt_checkin_mark(&c, part);
    bool complete = nt_checkin_complete(&c);
    *seen = c.seen;
    return complete;
}
