#include "nt_frame.h"

#include "nt_cobs.h"
#include "nt_crc32c.h"

struct nt_header nt_frame_header(const uint8_t *body)
{
    struct nt_header header = {
        .seq = nt_get_u32(body + 4),
        .session = nt_get_u16(body + 2),
        .version = body[0],
        .kind = body[1],
    };
    return header;
}

void nt_frame_begin(uint8_t *body, uint8_t kind, uint16_t session, uint32_t seq)
{
    body[0] = NT_VERSION_BYTE;
    body[1] = kind;
    nt_put_u16(body + 2, session);
    nt_put_u32(body + 4, seq);
}

size_t nt_frame_close(uint8_t *wire, uint8_t *body, size_t body_bytes)
{
    nt_put_u32(body + body_bytes, nt_crc32c(0, body, body_bytes));
    size_t n = nt_cobs_encode(wire, body, body_bytes + NT_CRC_BYTES);
    wire[n] = 0;
    return n + 1u;
}

void nt_deframer_init(struct nt_deframer *d)
{
    memset(d, 0, sizeof *d);
}

/* The body in a whole piece, decoded where it stands; 0 when it is none, with the count of why not. */
static size_t unwrap(struct nt_deframer *d, size_t piece_bytes)
{
    uint32_t *fault = NULL;
    size_t n = 0;
    if (!nt_cobs_decode(d->piece, &n, d->piece, piece_bytes)) {
        fault = &d->bad_cobs;
    } else if (n < NT_FRAME_BYTES_MIN) {
        fault = &d->undersize;
    } else if (nt_crc32c(0, d->piece, n) != NT_CRC_RESIDUE) {
        fault = &d->bad_crc;
    } else {
        d->frames++;
        return n - NT_CRC_BYTES;
    }
    if (d->in_step) {
        (*fault)++;
    } else {
        d->torn = 1; /* the rest of a frame whose start was never seen is no fault of the line */
    }
    return 0;
}

size_t nt_deframer_byte(struct nt_deframer *d, uint8_t byte)
{
    if (byte == 0) {
        size_t body_bytes = d->held == 0 ? 0 : unwrap(d, d->held);
        d->held = 0;
        d->discarding = false;
        d->in_step = true;
        return body_bytes;
    }
    if (!d->discarding) {
        d->piece[d->held++] = byte;
        if (d->held == NT_WIRE_BYTES_MAX) {
            d->oversize++;
            d->discarding = true;
            d->held = 0;
        }
    }
    return 0;
}
