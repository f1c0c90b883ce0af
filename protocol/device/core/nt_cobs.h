/* Consistent overhead byte stuffing after Cheshire and Baker, IEEE/ACM Transactions on Networking 7(2), 1999.
 */
#ifndef NT_COBS_H
#define NT_COBS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Encodes n bytes without the delimiter; returns the bytes written, at most n + n / 254 + 1. `out` is not
 * `in`. */
size_t nt_cobs_encode(uint8_t *out, const uint8_t *in, size_t n);

/* Decodes a piece between two delimiters; `out` may be `in`. False when no encoder can have written it. */
bool nt_cobs_decode(uint8_t *out, size_t *out_bytes, const uint8_t *in, size_t n);

#endif
