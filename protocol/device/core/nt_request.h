/* Inside the core: what the device does with each request of the session in force. */
#ifndef NT_REQUEST_H
#define NT_REQUEST_H

#include "nt_device.h"

/* What a request leads to: an answer of `bytes` with its kind, or a reason to refuse it, or (both 0) nothing
 * to say. */
struct nt_answer {
    size_t bytes;
    uint8_t kind;
    uint8_t reason;
};

/* Carries out a request of the session in force, all but OPEN and CLOSE, which are nt_link.c's; the payload
 * of the answer goes to `out` (NT_PAYLOAD_BYTES_MAX). */
struct nt_answer nt_request(struct nt_device *d, const struct nt_header *header, const uint8_t *payload,
                            size_t n, uint64_t stamp, uint8_t *out);

#endif
