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

/* A frame with a valid CRC: header and payload. */
void nt_link_frame(struct nt_device *d, const uint8_t *body, size_t n, uint64_t tick);

/* Whether the device may send: a session is open and the host was heard lately. */
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
                            size_t n, uint64_t tick, uint8_t *out);

/* Whether this device carries requests of a kind out (OPEN apart), and whether they are of the control lane.
 */
bool nt_request_is_known(uint8_t kind);
bool nt_request_is_control(uint8_t kind);

/* Text into a zero-padded field. */
void nt_put_text(uint8_t *field, const char *text, size_t field_bytes);

#endif
