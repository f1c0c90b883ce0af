/* Decoder: any bytes into the deframer. A body that comes out is written again as the same frame; its payload
 * is read and written by the codec of its kind; the bytes themselves go through COBS and back. */
#include "fuzz.h"

#include "nt_cobs.h"
#include "nt_crc32c.h"

#define PLAIN_MAX 4096u

static void check_cobs(const uint8_t *data, size_t n)
{
    static uint8_t coded[PLAIN_MAX + PLAIN_MAX / 254u + 1u];
    static uint8_t plain[PLAIN_MAX];
    size_t plain_bytes = 0;
    size_t coded_bytes = nt_cobs_encode(coded, data, n);
    must(coded_bytes <= n + n / 254u + 1u, "an encoding is no longer than promised");
    must(memchr(coded, 0, coded_bytes) == NULL, "an encoding has no 00");
    must(nt_cobs_decode(plain, &plain_bytes, coded, coded_bytes), "an encoding can be read");
    must(plain_bytes == n && (n == 0 || memcmp(plain, data, n) == 0), "an encoding gives its bytes back");
    if (nt_cobs_decode(coded, &plain_bytes, data, n)) {
        must(plain_bytes <= n, "decoding never makes more of it");
    }
}

static void check_body(const uint8_t *body, size_t n)
{
    uint8_t frame[NT_WIRE_BYTES_MAX + NT_CRC_BYTES];
    uint8_t wire[NT_WIRE_BYTES(NT_WIRE_BYTES_MAX)];
    uint8_t payload[NT_PAYLOAD_BYTES_MAX];
    memcpy(frame, body, n);
    size_t wire_bytes = nt_frame_close(wire, frame, n);
    struct nt_deframer again;
    nt_deframer_init(&again);
    size_t found = 0;
    for (size_t i = 0; i < wire_bytes; i++) {
        found = nt_deframer_byte(&again, wire[i]);
    }
    /* Written anew it may be longer than it came: without a redundant code, but with the sender's own runs.
     */
    bool fits = wire_bytes <= NT_WIRE_BYTES_MAX;
    must(found == (fits ? n : 0u), "a body goes through a frame");
    must(!fits || memcmp(again.piece, body, n) == 0, "a body comes out of a frame as it went in");

    size_t payload_bytes = n - NT_HEADER_BYTES;
    int written = h_again(body[1], body + NT_HEADER_BYTES, payload_bytes, payload, sizeof payload);
    must(written <= (int)payload_bytes, "a payload that was read is no longer when it is written");
    must(written <= 0 || memcmp(payload, body + NT_HEADER_BYTES, (size_t)written) == 0,
         "a payload that was read is written as it was");
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n)
{
    struct nt_deframer d;
    uint32_t delivered = 0;
    uint32_t pieces = 0;
    nt_deframer_init(&d);
    for (size_t i = 0; i < n; i++) {
        size_t body_bytes = nt_deframer_byte(&d, data[i]);
        pieces += data[i] == 0 ? 1u : 0u;
        must(d.held < NT_WIRE_BYTES_MAX, "the piece under way has its bound");
        if (body_bytes != 0) {
            delivered++;
            must(body_bytes >= NT_HEADER_BYTES, "a body has a header");
            check_body(d.piece, body_bytes);
        }
    }
    must(d.frames == delivered, "each frame counts");
    must(d.frames + d.bad_cobs + d.bad_crc + d.undersize + d.torn <= pieces, "a piece counts once");
    must(d.oversize <= n / NT_WIRE_BYTES_MAX, "a piece is too long once");
    if (n <= PLAIN_MAX) {
        check_cobs(data, n);
    }
    return 0;
}
