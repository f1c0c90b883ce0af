#include "nt_replies.h"

void nt_replies_init(struct nt_replies *r)
{
    memset(r, 0, sizeof *r);
}

static void wait_for_line(struct nt_replies *r, struct nt_reply *reply)
{
    reply->waiting = true;
    reply->order = r->next_order++;
}

bool nt_replies_repeat(struct nt_replies *r, const struct nt_header *header, uint32_t request_crc)
{
    for (size_t i = 0; i < NT_REPLIES_KEPT; i++) {
        struct nt_reply *reply = &r->reply[i];
        bool same =
            reply->kind == header->kind && reply->seq == header->seq && reply->request_crc == request_crc;
        if (same && reply->bytes != 0) {
            if (!reply->waiting) { /* two retries in a row need one answer */
                wait_for_line(r, reply);
            }
            return true;
        }
    }
    return false;
}

void nt_replies_add(struct nt_replies *r, const struct nt_header *request, uint32_t request_crc,
                    uint8_t *frame, size_t body_bytes)
{
    struct nt_reply *reply = &r->reply[r->next];
    r->next = (uint8_t)((r->next + 1u) % NT_REPLIES_KEPT);
    reply->seq = request->seq;
    reply->kind = request->kind;
    reply->request_crc = request_crc;
    reply->bytes = (uint16_t)nt_frame_close(reply->wire, frame, body_bytes);
    wait_for_line(r, reply);
}

void nt_replies_forget_newest(struct nt_replies *r)
{
    r->reply[(r->next + NT_REPLIES_KEPT - 1u) % NT_REPLIES_KEPT].kind = 0; /* no request has this kind */
}

size_t nt_replies_next(struct nt_replies *r, uint8_t *wire)
{
    struct nt_reply *first = NULL;
    for (size_t i = 0; i < NT_REPLIES_KEPT; i++) {
        struct nt_reply *reply = &r->reply[i];
        /* A difference, because the order wraps. */
        if (reply->waiting && (first == NULL || reply->order - first->order > UINT32_MAX / 2u)) {
            first = reply;
        }
    }
    if (first == NULL) {
        return 0;
    }
    first->waiting = false;
    memcpy(wire, first->wire, first->bytes);
    return first->bytes;
}
