/* Inside the core: sessions, how they begin, go on and end. */
#ifndef NT_SESSION_H
#define NT_SESSION_H

#include "nt_device.h"

/* Whether an OPEN comes from somebody else while the motion lease lives: it is no time to take the device
 * over. */
bool nt_session_is_taken(const struct nt_device *d, const struct nt_open *open);

/* Begins the session that an OPEN with this sequence number wants, or takes up the one in force; the payload
 * of OPENED goes to `out` (NT_PAYLOAD_BYTES_MAX). Returns its bytes. */
size_t nt_session_open(struct nt_device *d, const struct nt_open *open, uint32_t seq, uint8_t *out);

/* CLOSE: streams stop, drive off, outputs off, lease over; the device is mute from the next frame on. */
void nt_session_close(struct nt_device *d);

#endif
