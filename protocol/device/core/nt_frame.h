/* Frames: an eight-byte header and a payload, closed by a CRC-32C, COBS-encoded and delimited by 00.
 *
 * A body is header and payload; a frame is a body with its CRC; the wire form is what goes on the line. */
#ifndef NT_FRAME_H
#define NT_FRAME_H

#include "nt_config.h"

struct nt_header {
    uint32_t seq;
    uint16_t session;
    uint8_t version;
    uint8_t kind;
};

/* The header of a body of at least NT_HEADER_BYTES. */
struct nt_header nt_frame_header(const uint8_t *body);

/* Writes the header of this version in front of a payload. */
void nt_frame_begin(uint8_t *body, uint8_t kind, uint16_t session, uint32_t seq);

/* Appends the CRC to a body (there must be room for it) and writes the wire form with its delimiter.
 * Returns its bytes, at most NT_WIRE_BYTES(body_bytes + NT_CRC_BYTES). */
size_t nt_frame_close(uint8_t *wire, uint8_t *body, size_t body_bytes);

/* Bytes in, bodies out; whatever is no whole valid frame is counted and dropped, and nothing is ever answered
 * to it. */
struct nt_deframer {
    uint32_t frames;    /* bodies delivered */
    uint32_t bad_cobs;  /* pieces no encoder can have written */
    uint32_t bad_crc;   /* frames whose CRC does not agree */
    uint32_t undersize; /* shorter than header and CRC */
    uint32_t oversize;  /* pieces that reach NT_WIRE_BYTES_MAX without a delimiter, one count each */
    uint32_t torn;      /* 1 when the line began inside a frame */
    uint16_t held;
    bool in_step;    /* a delimiter has been seen */
    bool discarding; /* the piece under way is too long */
    uint8_t piece[NT_WIRE_BYTES_MAX];
};

void nt_deframer_init(struct nt_deframer *d);

/* Takes one byte. When it completes a valid frame, returns the bytes of its body, which stands in d->piece
 * until the next byte; otherwise 0. */
size_t nt_deframer_byte(struct nt_deframer *d, uint8_t byte);

#endif
