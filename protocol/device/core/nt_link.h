/* Inside the core: what its own files share. A port includes nt_device.h only. */
#ifndef NT_LINK_H
#define NT_LINK_H

#include "nt_device.h"

/* What a request leads to: an answer of `bytes` with its kind, or a reason to refuse it, or (both 0) nothing
 * to say. */
struct nt_answer {
    size_t bytes;
    uint8_t kind;
    uint8_t reason;
};

/* A frame with a valid CRC: header and payload. `stamp` is the tick of its delimiter; everything but a clock
 * probe goes by the newest tick instead, which may be later. */
void nt_link_frame(struct nt_device *d, const uint8_t *body, size_t n, uint64_t stamp);

/* The newest tick: one that runs backwards counts as the newest so far. */
uint64_t nt_link_now(struct nt_device *d, uint64_t tick);

/* Whether the device may answer: it was asked lately. */
bool nt_link_answering(const struct nt_device *d, uint64_t tick);

/* Whether the device may speak unasked: a session is open and the host was heard lately. */
bool nt_link_talking(const struct nt_device *d, uint64_t tick);

/* enum nt_device_state */
uint8_t nt_link_state(const struct nt_device *d);

/* Whether data sequence number a comes before b; they wrap. */
bool nt_link_before(uint32_t a, uint32_t b);

/* Streams stop, drive off, outputs off, lease over. */
void nt_session_end(struct nt_device *d);

/* Carries out a request of the session in force; the payload of the answer goes to `out`
 * (NT_PAYLOAD_BYTES_MAX). */
struct nt_answer nt_request(struct nt_device *d, const struct nt_header *header, const uint8_t *payload,
                            size_t n, uint64_t stamp, uint8_t *out);

/* Text into a zero-padded field. */
void nt_put_text(uint8_t *field, const char *text, size_t field_bytes);

#endif
