/* The last answers to the host's requests: a retry is answered from here and not carried out again. */
#ifndef NT_REPLIES_H
#define NT_REPLIES_H

#include "nt_frame.h"

struct nt_reply {
    uint32_t seq;         /* of the request */
    uint32_t request_crc; /* over its body: a number used again for something else is another request */
    uint32_t order;       /* when it is to go out, compared with others */
    uint16_t bytes;       /* of the wire form, 0 = empty */
    uint8_t kind;         /* of the request */
    bool waiting;         /* to be sent */
    uint8_t wire[NT_REPLY_WIRE_BYTES];
};

struct nt_replies {
    uint32_t next_order;
    uint8_t next; /* the one that gives way next */
    struct nt_reply reply[NT_REPLIES_KEPT];
};

/* Begins empty: at start and with each new session. */
void nt_replies_init(struct nt_replies *r);

/* Answers a retry from the store. False when this request is a new one. */
bool nt_replies_repeat(struct nt_replies *r, const struct nt_header *header, uint32_t request_crc);

/* Keeps an answer and lets it wait for the line. `frame` has the payload behind NT_HEADER_BYTES and room for
 * the CRC. */
void nt_replies_add(struct nt_replies *r, const struct nt_header *request, uint32_t request_crc,
                    uint8_t *frame, size_t body_bytes);

/* The answer added last is for this once: it goes out, and a retry of its request is a new request. */
void nt_replies_forget_newest(struct nt_replies *r);

/* The answer that has waited longest, no longer waiting now; 0 when there is none. */
size_t nt_replies_next(struct nt_replies *r, uint8_t *wire);

#endif
