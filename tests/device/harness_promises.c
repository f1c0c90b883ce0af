/* What must hold whatever arrives: asked after each step by the tests and by the fuzzers. The motion lease is
 * not a safety function; that it does what it says is tested here all the same. */
#include "harness.h"

#define TICKS(h, ms) ((uint64_t)(ms) * (h)->board.tick_hz / 1000u)

static const char *broken_motion(const struct harness *h)
{
    const struct nt_motion_state *m = &h->d.motion;
    const struct nt_motion_lease *l = &m->lease;
    bool live = l->state == NT_LEASE_STATE_LIVE;
    if (live && (h->now >= l->deadline || l->deadline - l->seen_tick > TICKS(h, NT_LEASE_WINDOW_MS_MAX))) {
        return "a lease is live beyond its deadline";
    }
    if (live && l->seen_tick > h->now) {
        return "a lease proves data that is not there yet";
    }
    if (h->port.set_lease != NULL && h->lease_line != live) {
        return "the lease line does not follow the lease";
    }
    for (uint8_t axis = 0; axis < NT_AXES; axis++) {
        bool driven = (m->driven & (1u << axis)) != 0;
        if (driven != h->on[axis]) {
            return "core and port differ about an axis";
        }
        if (driven && (!live || h->d.link.session == 0)) {
            return "an axis is on without a live lease in a session";
        }
        if (driven && (nt_events_latched(&h->d.events) != 0 || nt_trips_interlocked(&h->d.trips))) {
            return "an axis is on against a latched event or an input";
        }
    }
    return NULL;
}

static const char *broken_outputs(const struct harness *h)
{
    const struct nt_motion_state *m = &h->d.motion;
    for (uint8_t output = 0; output < NT_OUTPUTS; output++) {
        bool on = (m->outputs & (1u << output)) != 0;
        if (on != h->out[output]) {
            return "core and port differ about an output";
        }
        uint64_t until = m->output_until[output];
        if (on && (h->now >= until || until - h->now > TICKS(h, NT_LEASE_WINDOW_MS_MAX))) {
            return "an output is on beyond its time";
        }
        if (on && h->d.link.session == 0) {
            return "an output is on without a session";
        }
    }
    return NULL;
}

static const char *broken_ring(const struct harness *h)
{
    const struct nt_ring *r = &h->d.ring;
    uint32_t held = r->next_seq - r->oldest_seq;
    uint32_t unsent = r->next_seq - r->next_send;
    uint32_t bytes = 0;
    uint32_t waiting = 0;
    if (held > NT_RING_BLOCKS_MAX || unsent > held) {
        return "the ring's numbers do not follow each other";
    }
    for (uint32_t i = 0; i < held; i++) {
        uint32_t n = r->slots[(r->oldest_seq + i) % NT_RING_BLOCKS_MAX].bytes;
        bytes += n;
        waiting += i >= held - unsent ? n : 0u;
    }
    if (bytes != r->used || bytes > NT_RING_BYTES || waiting != r->waiting || waiting > r->high_water) {
        return "the ring's sums are wrong";
    }
    return NULL;
}

static const char *broken_link(const struct harness *h)
{
    const struct nt_link *l = &h->d.link;
    const struct nt_ring *r = &h->d.ring;
    uint32_t asked = l->resend_stop - l->resend_seq;
    if (asked > NT_RESEND_BLOCKS_MAX || l->gone_count > NT_RESEND_BLOCKS_MAX || l->probes > NT_PROBES_MAX) {
        return "more is owed than may be asked for";
    }
    if (asked != 0 && nt_link_before(r->next_send, l->resend_stop)) {
        return "a block is to be repeated that was never sent";
    }
    if (l->session == 0 && h->d.sampler.running) {
        return "a stream runs without a session";
    }
    if (h->d.sampler.count >= h->d.sampler.setup.samples_per_block || h->d.events.count > NT_EVENTS_KEPT) {
        return "a buffer is fuller than it may be";
    }
    return NULL;
}

const char *h_broken(struct harness *h)
{
    const char *(*const promises[])(const struct harness *) = {broken_motion, broken_outputs, broken_ring,
                                                               broken_link};
    for (size_t i = 0; i < sizeof promises / sizeof promises[0] && h->broken == NULL; i++) {
        h->broken = promises[i](h);
    }
    return h->broken;
}

/* ---- what it sends ---- */

/* What is wrong with a frame that the device hands to the line at this moment. */
static const char *broken_frame(struct harness *h, const uint8_t *wire, size_t n)
{
    size_t body_bytes = 0;
    if (n > NT_WIRE_BYTES_MAX + 1u || wire[n - 1] != 0) {
        return "what is sent is too long or does not end";
    }
    for (size_t i = 0; i < n; i++) {
        size_t found = nt_deframer_byte(&h->back, wire[i]);
        body_bytes = found != 0 ? found : body_bytes;
        if (wire[i] == 0 && i != 0 && i != n - 1) {
            return "more than one frame is sent at once";
        }
    }
    if (body_bytes == 0) {
        return "what is sent is no frame";
    }
    struct nt_header header = nt_frame_header(h->back.piece);
    if (nt_from_host(header.kind) || nt_lane_of(header.kind) < 0 || header.version != NT_VERSION_BYTE) {
        return "a device does not send this kind";
    }
    if (header.kind == NT_KIND_BLOCK && body_bytes + NT_CRC_BYTES > NT_DATA_FRAME_BYTES) {
        return "a block is longer than its CRC is good for";
    }
    bool unasked = nt_lane_of(header.kind) != NT_LANE_CONTROL || header.kind == NT_KIND_EVENT;
    if (h->d.link.session == 0 && (unasked || header.kind == NT_KIND_PROBED)) {
        return "something is sent while mute";
    }
    if (h->d.link.session != 0 && header.session != h->d.link.session) {
        return "a frame carries another session";
    }
    return NULL;
}

size_t h_next(struct harness *h, uint64_t tick, uint8_t *out)
{
    const uint8_t *wire;
    if (tick > h->now) {
        h->now = tick;
    }
    size_t n = nt_device_next(&h->d, tick, &wire);
    if (n == 0) {
        return 0;
    }
    const char *broken = broken_frame(h, wire, n);
    if (!h->asked || h->now - h->asked_tick >= TICKS(h, NT_SILENCE_MS)) {
        broken = "something is sent that nobody is there for";
    }
    h->broken = h->broken != NULL ? h->broken : broken;
    memcpy(out, wire, n);
    return n;
}
