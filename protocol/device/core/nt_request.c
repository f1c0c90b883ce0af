#include "nt_request.h"

#include "nt_link.h"

#define MILLIHZ_PER_HZ 1000u

static struct nt_answer silent(void)
{
    struct nt_answer answer = {0};
    return answer;
}

static struct nt_answer refusal(uint8_t reason)
{
    struct nt_answer answer = {.reason = reason};
    return answer;
}

static struct nt_answer done(uint8_t request, uint32_t detail, uint8_t *out)
{
    struct nt_done message = {.detail = detail, .request = request};
    (void)nt_put_done(&message, out, NT_PAYLOAD_BYTES_MAX);
    struct nt_answer answer = {.bytes = NT_FIXED_DONE, .kind = NT_KIND_DONE};
    return answer;
}

/* ---- sheet, firmware ---- */

static struct nt_answer sheet(struct nt_device *d, const uint8_t *payload, size_t n, uint8_t *out)
{
    struct nt_sheet message;
    if (!nt_get_sheet(&message, payload, n)) {
        return refusal(NT_REASON_MALFORMED);
    }
    if (message.offset >= d->board->sheet_bytes) {
        return refusal(NT_REASON_OUT_OF_RANGE);
    }
    uint32_t left = d->board->sheet_bytes - message.offset;
    struct nt_sheet_part part = {
        .offset = message.offset,
        .total = d->board->sheet_bytes,
        .part = d->board->sheet + message.offset,
        .part_bytes = (uint16_t)(left < NT_SHEET_PART_BYTES ? left : NT_SHEET_PART_BYTES),
    };
    struct nt_answer answer = {.kind = NT_KIND_SHEET_PART};
    answer.bytes = (size_t)nt_put_sheet_part(&part, out, NT_PAYLOAD_BYTES_MAX);
    return answer;
}

static struct nt_answer firmware(const struct nt_device *d, uint8_t *out)
{
    if ((d->board->features & NT_FEATURE_FIRMWARE) == 0) {
        return refusal(NT_REASON_UNSUPPORTED);
    }
    struct nt_firmware_reply reply = {
        .flash_crc = d->boot.flash_crc,
        .config_hash = d->boot.config_hash,
        .self_test = d->boot.self_test,
        .crash_pc = d->boot.crash_pc,
        .crash_lr = d->boot.crash_lr,
        .crash_cause = d->boot.crash_cause,
    };
    nt_put_text(reply.build, d->board->build, sizeof reply.build);
    struct nt_answer answer = {.kind = NT_KIND_FIRMWARE_REPLY};
    answer.bytes = (size_t)nt_put_firmware_reply(&reply, out, NT_PAYLOAD_BYTES_MAX);
    return answer;
}

/* ---- overload memory ---- */

static struct nt_answer extremes(struct nt_device *d, const uint8_t *payload, size_t n, uint8_t *out)
{
    struct nt_extremes message;
    if ((d->board->features & NT_FEATURE_EXTREMES) == 0) {
        return refusal(NT_REASON_UNSUPPORTED);
    }
    if (!nt_get_extremes(&message, payload, n)) {
        return refusal(NT_REASON_MALFORMED);
    }
    struct nt_extremes_reply reply = {.tick = d->link.tick};
    nt_overload_read(&d->overload, message.seen_no, &reply);
    struct nt_answer answer = {.kind = NT_KIND_EXTREMES_REPLY};
    answer.bytes = (size_t)nt_put_extremes_reply(&reply, out, NT_PAYLOAD_BYTES_MAX);
    return answer;
}

/* ---- stream ---- */

static bool same_setup(const struct nt_stream_setup *a, const struct nt_stream_setup *b)
{
    return a->rate_hz == b->rate_hz && a->samples_per_block == b->samples_per_block &&
           a->status_ms == b->status_ms && a->stream == b->stream;
}

static void apply_setup(struct nt_device *d, const struct nt_stream_setup *wanted)
{
    nt_sampler_apply(&d->sampler, wanted);
    d->link.configured = true;
    uint64_t period = (uint64_t)wanted->status_ms * d->board->tick_hz / 1000u;
    if (d->link.status_tick > d->link.tick + period) { /* the old period may be much longer */
        d->link.status_tick = d->link.tick + period;
    }
    if (d->port->set_rate != NULL) {
        d->port->set_rate(d->port->context, wanted->rate_hz);
    }
}

static struct nt_answer setup(struct nt_device *d, const uint8_t *payload, size_t n, uint8_t *out)
{
    struct nt_setup message;
    if (!nt_get_setup(&message, payload, n)) {
        return refusal(NT_REASON_MALFORMED);
    }
    struct nt_stream_setup wanted = {
        .rate_hz = message.rate_millihz / MILLIHZ_PER_HZ,
        .samples_per_block = message.samples_per_block,
        .status_ms = message.status_ms,
        .stream = message.stream,
    };
    const struct nt_stream_setup *now = &d->sampler.setup;
    if (message.rate_millihz % MILLIHZ_PER_HZ != 0 || !nt_sampler_allows(&d->sampler, &wanted)) {
        return refusal(NT_REASON_OUT_OF_RANGE);
    }
    if (d->sampler.running && !same_setup(&wanted, now)) {
        return refusal(NT_REASON_NOT_NOW);
    }
    if (wanted.rate_hz != now->rate_hz && (d->motion.driven != 0 || nt_motion_moving(&d->motion))) {
        return refusal(NT_REASON_NOT_NOW); /* a motion under way is laid out for the old rate */
    }
    if (!d->sampler.running) {
        apply_setup(d, &wanted);
    }
    struct nt_setup_reply reply = {
        .rate_millihz = now->rate_hz * MILLIHZ_PER_HZ,
        .samples_per_block = now->samples_per_block,
        .status_ms = now->status_ms,
        .config_epoch = d->sampler.config_epoch,
        .stream = now->stream,
    };
    struct nt_answer answer = {.kind = NT_KIND_SETUP_REPLY};
    answer.bytes = (size_t)nt_put_setup_reply(&reply, out, NT_PAYLOAD_BYTES_MAX);
    return answer;
}

static struct nt_answer run(struct nt_device *d, const uint8_t *payload, size_t n, uint8_t *out)
{
    struct nt_run message;
    if (!nt_get_run(&message, payload, n)) {
        return refusal(NT_REASON_MALFORMED);
    }
    if (!d->link.configured) {
        return refusal(NT_REASON_NOT_NOW);
    }
    if (!d->sampler.running) {
        nt_sampler_run(&d->sampler, message.start_tick);
    }
    return done(NT_KIND_RUN, 0, out);
}

static uint32_t lesser(uint32_t a, uint32_t b)
{
    return a < b ? a : b;
}

/* Counts from the oldest block on, because sequence numbers wrap. */
static struct nt_answer resend(struct nt_device *d, const uint8_t *payload, size_t n)
{
    struct nt_resend message;
    if (!nt_get_resend(&message, payload, n)) {
        return silent();
    }
    const struct nt_ring *ring = &d->ring;
    uint32_t wanted = lesser(message.count, NT_RESEND_BLOCKS_MAX);
    uint32_t gone = 0;
    if (nt_link_before(message.first_seq, ring->oldest_seq)) {
        gone = lesser(ring->oldest_seq - message.first_seq, wanted);
    }
    uint32_t from = message.first_seq + gone;
    uint32_t skipped = from - ring->oldest_seq;
    uint32_t sent = ring->next_send - ring->oldest_seq; /* what has never been sent comes by itself */
    d->link.gone_seq = message.first_seq;
    d->link.gone_count = (uint16_t)gone;
    d->link.resend_seq = from;
    d->link.resend_stop = from + (skipped < sent ? lesser(wanted - gone, sent - skipped) : 0u);
    return silent();
}

/* ---- clock, events ---- */

static struct nt_answer probe(struct nt_device *d, const struct nt_header *header, const uint8_t *payload,
                              size_t n, uint64_t stamp)
{
    struct nt_probe message;
    struct nt_link *link = &d->link;
    if (!nt_get_probe(&message, payload, n)) {
        return refusal(NT_REASON_MALFORMED);
    }
    if (link->probes == NT_PROBES_MAX) { /* the oldest has waited too long to be of use */
        link->probes--;
        memmove(&link->probe[0], &link->probe[1], link->probes * sizeof link->probe[0]);
    }
    struct nt_waiting_probe *waiting = &link->probe[link->probes++];
    memset(waiting, 0, sizeof *waiting);
    waiting->seq = header->seq;
    waiting->probed.host_ns = message.host_ns;
    waiting->probed.probe_id = message.probe_id;
    waiting->probed.tick_rx = stamp;
    return silent(); /* nt_device_next answers, when the line takes it */
}

static struct nt_answer event_ack(struct nt_device *d, const uint8_t *payload, size_t n)
{
    struct nt_event_ack message;
    if (nt_get_event_ack(&message, payload, n)) {
        nt_events_acknowledge(&d->events, message.event_no);
    }
    return silent();
}

static struct nt_answer clear(struct nt_device *d, const uint8_t *payload, size_t n, uint8_t *out)
{
    struct nt_clear message;
    if (!nt_get_clear(&message, payload, n)) {
        return refusal(NT_REASON_MALFORMED);
    }
    uint8_t wanted = nt_events_code_of(&d->events, message.event_no);
    if (wanted != 0 && nt_trips_stands(&d->trips, wanted)) {
        return refusal(NT_REASON_INTERLOCK);
    }
    if (message.event_no == 0) { /* nobody has looked at anything: only what a silent host leaves behind */
        nt_events_unlatch(&d->events, NT_EVENT_CODE_LEASE_LAPSED);
    }
    for (uint8_t code = 0; code < NT_EVENT_CODES; code++) {
        if (nt_events_latched_no(&d->events, code) <= message.event_no && !nt_trips_stands(&d->trips, code)) {
            nt_events_unlatch(&d->events, code);
        }
    }
    if (nt_events_latched_no(&d->events, NT_EVENT_CODE_LEASE_LAPSED) == 0) {
        nt_motion_lease_clear(&d->motion);
    }
    return done(NT_KIND_CLEAR, nt_events_latched(&d->events), out);
}

/* ---- motion: the lease is not a safety function ---- */

static struct nt_answer lease(struct nt_device *d, const uint8_t *payload, size_t n)
{
    struct nt_lease message;
    if (nt_get_lease(&message, payload, n)) {
        nt_motion_offer(&d->motion, &message, d->link.tick);
    } else {
        d->motion.lease.refused++;
    }
    return silent();
}

static struct nt_answer drive(struct nt_device *d, const uint8_t *payload, size_t n, uint8_t *out)
{
    struct nt_drive message;
    if (!nt_get_drive(&message, payload, n)) {
        return refusal(NT_REASON_MALFORMED);
    }
    bool interlocked = nt_trips_interlocked(&d->trips) || d->boot.self_test != 0;
    bool latched = nt_events_latched(&d->events) != 0;
    uint8_t reason = nt_motion_command(&d->motion, &message, d->link.tick, interlocked, latched);
    struct nt_drive_reply reply = {
        .command_no = message.command_no, .reason = reason, .accepted = reason == NT_REASON_NONE ? 1 : 0};
    struct nt_answer answer = {.kind = NT_KIND_DRIVE_REPLY};
    answer.bytes = (size_t)nt_put_drive_reply(&reply, out, NT_PAYLOAD_BYTES_MAX);
    return answer;
}

static struct nt_answer switch_output(struct nt_device *d, uint32_t seq, const uint8_t *payload, size_t n,
                                      uint8_t *out)
{
    struct nt_switch message;
    if (!nt_get_switch(&message, payload, n)) {
        return refusal(NT_REASON_MALFORMED);
    }
    uint8_t reason = nt_motion_switch(&d->motion, &message, seq, d->link.tick);
    return reason != NT_REASON_NONE ? refusal(reason) : done(NT_KIND_SWITCH, message.output, out);
}

struct nt_answer nt_request(struct nt_device *d, const struct nt_header *header, const uint8_t *payload,
                            size_t n, uint64_t stamp, uint8_t *out)
{
    switch (header->kind) {
    case NT_KIND_SHEET:
        return sheet(d, payload, n, out);
    case NT_KIND_SETUP:
        return setup(d, payload, n, out);
    case NT_KIND_RUN:
        return run(d, payload, n, out);
    case NT_KIND_HALT:
        nt_sampler_halt(&d->sampler, &d->ring);
        return done(NT_KIND_HALT, 0, out);
    case NT_KIND_PROBE:
        return probe(d, header, payload, n, stamp);
    case NT_KIND_EVENT_ACK:
        return event_ack(d, payload, n);
    case NT_KIND_RESEND:
        return resend(d, payload, n);
    case NT_KIND_LEASE:
        return lease(d, payload, n);
    case NT_KIND_DRIVE:
        return drive(d, payload, n, out);
    case NT_KIND_CLEAR:
        return clear(d, payload, n, out);
    case NT_KIND_FIRMWARE:
        return firmware(d, out);
    case NT_KIND_EXTREMES:
        return extremes(d, payload, n, out);
    case NT_KIND_SWITCH:
        return switch_output(d, header->seq, payload, n, out);
    default:
        return refusal(NT_REASON_UNKNOWN_KIND);
    }
}
