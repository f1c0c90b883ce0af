/* What goes out next: PROBED, other answers, EVENT, live BLOCK, STATUS and SLOW, repeated BLOCK. */
#include "nt_link.h"

#define LIVE_PER_RESEND 2u /* a repeated block may go between so many live ones */

/* The wire form of a payload that stands behind the header's place in d->frame. */
static size_t close_frame(struct nt_device *d, uint8_t kind, uint32_t seq, size_t payload_bytes,
                          uint8_t *wire)
{
    nt_frame_begin(d->frame, kind, d->link.session, seq);
    return nt_frame_close(wire, d->frame, NT_HEADER_BYTES + payload_bytes);
}

static size_t probed(struct nt_device *d, uint64_t tick, uint8_t *wire)
{
    struct nt_link *link = &d->link;
    if (link->probes == 0) {
        return 0;
    }
    struct nt_waiting_probe first = link->probe[0];
    link->probes--;
    memmove(&link->probe[0], &link->probe[1], link->probes * sizeof link->probe[0]);
    first.probed.tick_tx = tick;
    (void)nt_put_probed(&first.probed, d->frame + NT_HEADER_BYTES, NT_PAYLOAD_BYTES_MAX);
    return close_frame(d, NT_KIND_PROBED, first.seq, NT_FIXED_PROBED, wire);
}

static size_t gone(struct nt_device *d, uint8_t *wire)
{
    struct nt_link *link = &d->link;
    if (link->gone_count == 0) {
        return 0;
    }
    struct nt_gone message = {.first_seq = link->gone_seq, .count = link->gone_count};
    link->gone_count = 0;
    (void)nt_put_gone(&message, d->frame + NT_HEADER_BYTES, NT_PAYLOAD_BYTES_MAX);
    return close_frame(d, NT_KIND_GONE, link->notice_seq++, NT_FIXED_GONE, wire);
}

static size_t event(struct nt_device *d, uint64_t tick, uint8_t *wire)
{
    const struct nt_event *due = nt_events_due(&d->events, tick);
    if (due == NULL) {
        return 0;
    }
    (void)nt_put_event(due, d->frame + NT_HEADER_BYTES, NT_PAYLOAD_BYTES_MAX);
    return close_frame(d, NT_KIND_EVENT, due->event_no, NT_FIXED_EVENT, wire);
}

static size_t live(struct nt_device *d, uint8_t *wire)
{
    if (!nt_ring_has_unsent(&d->ring)) {
        return 0;
    }
    if (d->link.live_since_resend < LIVE_PER_RESEND) {
        d->link.live_since_resend++;
    }
    return nt_ring_send_next(&d->ring, wire);
}

static size_t repeated(struct nt_device *d, uint8_t *wire)
{
    struct nt_link *link = &d->link;
    if (!nt_link_before(link->resend_seq, link->resend_stop)) {
        return 0;
    }
    uint32_t oldest = d->ring.oldest_seq;
    if (nt_link_before(link->resend_seq, oldest)) { /* overwritten since it was asked for */
        uint32_t until = nt_link_before(oldest, link->resend_stop) ? oldest : link->resend_stop;
        link->gone_seq = link->resend_seq;
        link->gone_count = (uint16_t)(until - link->resend_seq);
        link->resend_seq = until;
        return gone(d, wire);
    }
    link->live_since_resend = 0;
    link->resent++;
    return nt_ring_again(&d->ring, link->resend_seq++, wire);
}

/* A STATUS is due; or blocks were overwritten, and the host must know before it sees the hole. */
static bool wants_status(const struct nt_device *d, bool of_the_hole)
{
    return of_the_hole ? d->ring.overwritten_unsent != d->link.told_overwritten : d->link.status_due;
}

static size_t status(struct nt_device *d, uint64_t tick, bool of_the_hole, uint8_t *wire)
{
    if (!wants_status(d, of_the_hole)) {
        return 0;
    }
    d->link.status_due = false;
    d->link.told_overwritten = d->ring.overwritten_unsent;
    const struct nt_deframer *in = &d->deframer;
    struct nt_status message = {
        .tick = tick,
        .next_index = d->sampler.next_index,
        .boot_id = d->boot.boot_id,
        .newest_seq = d->ring.next_send - 1u, /* what waits unsent is not lost and need not be asked for */
        .oldest_seq = d->ring.oldest_seq,
        .rx_bad_crc = in->bad_crc,
        .rx_bad_cobs = in->bad_cobs + in->undersize,
        .rx_oversize = in->oversize,
        .rx_overrun = d->link.overrun,
        .tx_stalls = d->link.tx_stalls,
        .blocks_overwritten_unsent = d->ring.overwritten_unsent,
        .adc_overrange = d->sampler.overrange,
        .encoder_errors = d->sampler.encoder_errors,
        .resent = d->link.resent,
        .leases_refused = d->motion.lease.refused,
        .ring_high_water = d->ring.high_water,
        .inputs = d->sampler.inputs,
        .state = nt_link_state(d),
        .lease = d->motion.lease.state,
        .outputs = d->motion.outputs,
        .cpu_pct = d->link.cpu_pct,
    };
    (void)nt_put_status(&message, d->frame + NT_HEADER_BYTES, NT_PAYLOAD_BYTES_MAX);
    return close_frame(d, NT_KIND_STATUS, d->link.notice_seq++, NT_FIXED_STATUS, wire);
}

static size_t slow(struct nt_device *d, uint64_t tick, uint8_t *wire)
{
    if (!d->link.slow_due) {
        return 0;
    }
    d->link.slow_due = false;
    struct nt_slow message = {.tick = tick, .values_count = d->board->slow_channels};
    for (uint8_t channel = 0; channel < d->board->slow_channels; channel++) {
        message.values[channel].number = channel;
        message.values[channel].value = d->port->slow(d->port->context, channel);
    }
    size_t bytes = (size_t)nt_put_slow(&message, d->frame + NT_HEADER_BYTES, NT_PAYLOAD_BYTES_MAX);
    return close_frame(d, NT_KIND_SLOW, d->link.notice_seq++, bytes, wire);
}

static size_t compose(struct nt_device *d, uint64_t tick, uint8_t *wire)
{
    size_t n = 0;
    if (nt_link_answering(d, tick)) {
        n = probed(d, tick, wire);
        n = n != 0 ? n : nt_replies_next(&d->replies, wire);
    }
    if (n != 0 || !nt_link_talking(d, tick)) {
        return n;
    }
    n = gone(d, wire);
    n = n != 0 ? n : event(d, tick, wire);
    n = n != 0 ? n : status(d, tick, true, wire);
    if (n == 0 && d->link.live_since_resend >= LIVE_PER_RESEND) {
        n = repeated(d, wire);
    }
    n = n != 0 ? n : live(d, wire);
    n = n != 0 ? n : status(d, tick, false, wire);
    n = n != 0 ? n : slow(d, tick, wire);
    return n != 0 ? n : repeated(d, wire);
}

size_t nt_device_next(struct nt_device *d, uint64_t tick, const uint8_t **wire)
{
    uint8_t *frame = d->tx + 1;
    size_t n = compose(d, nt_link_now(d, tick), frame);
    bool was_idle = d->link.idle;
    d->link.idle = n == 0;
    if (n == 0 || !was_idle) {
        *wire = frame;
        return n;
    }
    d->tx[0] = 0; /* noise on an idle line must not swallow the first frame */
    *wire = d->tx;
    return n + 1u;
}
