#include "nt_link.h"

#include "nt_crc32c.h"
#include "nt_request.h"
#include "nt_session.h"

uint64_t nt_link_now(struct nt_device *d, uint64_t tick)
{
    if (tick > d->link.tick) {
        d->link.tick = tick;
    }
    return d->link.tick;
}

static bool is_recent(const struct nt_device *d, uint64_t then, uint64_t tick)
{
    return tick - then < (uint64_t)NT_SILENCE_MS * d->board->tick_hz / 1000u;
}

bool nt_link_answering(const struct nt_device *d, uint64_t tick)
{
    return d->link.asked && is_recent(d, d->link.asked_tick, tick);
}

bool nt_link_talking(const struct nt_device *d, uint64_t tick)
{
    return d->link.session != 0 && is_recent(d, d->link.heard_tick, tick);
}

uint8_t nt_link_state(const struct nt_device *d)
{
    if (d->sampler.running) {
        return NT_DEVICE_STATE_RUNNING;
    }
    if (d->boot.self_test != 0) {
        return NT_DEVICE_STATE_FAULT;
    }
    return d->link.configured ? NT_DEVICE_STATE_READY : NT_DEVICE_STATE_IDLE;
}

bool nt_link_before(uint32_t a, uint32_t b)
{
    return a != b && b - a <= UINT32_MAX / 2u;
}

void nt_put_text(uint8_t *field, const char *text, size_t field_bytes)
{
    memset(field, 0, field_bytes);
    for (size_t i = 0; i < field_bytes && text[i] != '\0'; i++) {
        field[i] = (uint8_t)text[i];
    }
}

/* Sends an answer and keeps it for retries. */
static void answer(struct nt_device *d, const struct nt_header *request, uint32_t crc, uint16_t session,
                   const struct nt_answer *what)
{
    nt_frame_begin(d->frame, what->kind, session, request->seq);
    nt_replies_add(&d->replies, request, crc, d->frame, NT_HEADER_BYTES + what->bytes);
}

static void refuse(struct nt_device *d, const struct nt_header *request, uint32_t crc, uint8_t reason,
                   uint32_t detail)
{
    struct nt_refused refused = {.detail = detail, .reason = reason, .request = request->kind};
    (void)nt_put_refused(&refused, d->frame + NT_HEADER_BYTES, NT_PAYLOAD_BYTES_MAX);
    struct nt_answer what = {.bytes = NT_FIXED_REFUSED, .kind = NT_KIND_REFUSED};
    answer(d, request, crc, d->link.session != 0 ? d->link.session : request->session, &what);
}

/* ---- sessions ---- */

/* A refusal of the moment is kept for no retry: the next OPEN, also a repeated one, is looked at anew. */
static void refuse_for_now(struct nt_device *d, const struct nt_header *request, uint32_t crc)
{
    refuse(d, request, crc, NT_REASON_NOT_NOW, 0);
    nt_replies_forget_newest(&d->replies);
}

static void take_open(struct nt_device *d, const struct nt_header *header, uint32_t crc,
                      const uint8_t *payload, size_t n)
{
    struct nt_open open;
    if (header->version >> 4 != NT_MAJOR) {
        d->link.strays++;
        refuse(d, header, crc, NT_REASON_VERSION, NT_MAJOR);
    } else if (!nt_get_open(&open, payload, n)) {
        refuse(d, header, crc, NT_REASON_MALFORMED, 0);
    } else if (open.session == 0) {
        refuse(d, header, crc, NT_REASON_OUT_OF_RANGE, 0);
    } else if (nt_session_is_taken(d, &open)) {
        refuse_for_now(d, header, crc);
    } else {
        struct nt_answer what = {.kind = NT_KIND_OPENED};
        what.bytes = nt_session_open(d, &open, header->seq, d->frame + NT_HEADER_BYTES);
        answer(d, header, crc, d->link.session, &what);
    }
}

/* Answered in the session that it ends. */
static void take_close(struct nt_device *d, const struct nt_header *header, uint32_t crc)
{
    uint16_t session = d->link.session;
    nt_session_close(d);
    struct nt_done done = {.request = NT_KIND_CLOSE};
    (void)nt_put_done(&done, d->frame + NT_HEADER_BYTES, NT_PAYLOAD_BYTES_MAX);
    struct nt_answer what = {.bytes = NT_FIXED_DONE, .kind = NT_KIND_DONE};
    answer(d, header, crc, session, &what);
}

/* ---- frames ---- */

static void take_request(struct nt_device *d, const struct nt_header *header, uint32_t crc,
                         const uint8_t *payload, size_t n, uint64_t stamp)
{
    struct nt_answer what = nt_request(d, header, payload, n, stamp, d->frame + NT_HEADER_BYTES);
    bool may_be_ignored = (header->kind & NT_MUST_UNDERSTAND) == 0;
    if (what.reason == NT_REASON_UNKNOWN_KIND) {
        d->link.strays++;
    }
    if (what.reason != NT_REASON_NONE && !may_be_ignored) {
        refuse(d, header, crc, what.reason, 0);
    } else if (what.kind != 0) {
        answer(d, header, crc, d->link.session, &what);
    }
}

/* Whether the host of the session in force sent it, in a version that is understood. What only a device sends
 * has come back on an echoing line: refusing it would be answered by its own echo, for ever. */
static bool is_of_session(const struct nt_device *d, const struct nt_header *header)
{
    bool echo = nt_lane_of(header->kind) >= 0 && !nt_from_host(header->kind);
    return header->version >> 4 == NT_MAJOR && header->session == d->link.session && header->session != 0 &&
           !echo;
}

void nt_link_frame(struct nt_device *d, const uint8_t *body, size_t n, uint64_t stamp)
{
    struct nt_header header = nt_frame_header(body);
    uint32_t crc = nt_crc32c(0, body, n);
    bool opening = header.kind == NT_KIND_OPEN;
    if (is_of_session(d, &header)) {
        d->link.heard_tick = d->link.tick;
    } else if (!opening) {
        d->link.strays++;
        return;
    }
    d->link.asked = true;
    d->link.asked_tick = d->link.tick;
    if (nt_replies_repeat(&d->replies, &header, crc)) {
        return;
    }
    if (opening) {
        take_open(d, &header, crc, body + NT_HEADER_BYTES, n - NT_HEADER_BYTES);
    } else if (header.kind == NT_KIND_CLOSE) {
        take_close(d, &header, crc);
    } else {
        take_request(d, &header, crc, body + NT_HEADER_BYTES, n - NT_HEADER_BYTES, stamp);
    }
}
