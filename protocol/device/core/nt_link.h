/* Inside the core: what its own files share. A port includes nt_device.h only. */
#ifndef NT_LINK_H
#define NT_LINK_H

#include "nt_device.h"

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

/* Text into a zero-padded field. */
void nt_put_text(uint8_t *field, const char *text, size_t field_bytes);

#endif
