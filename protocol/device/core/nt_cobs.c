#include "nt_cobs.h"

#define RUN_MAX 254u /* bytes other than 00 behind one code byte */

size_t nt_cobs_encode(uint8_t *out, const uint8_t *in, size_t n)
{
    size_t code_at = 0;
    size_t at = 1;
    size_t run = 0;
    for (size_t i = 0; i < n; i++) {
        if (in[i] == 0) {
            out[code_at] = (uint8_t)(run + 1u);
            code_at = at++;
            run = 0;
            continue;
        }
        out[at++] = in[i];
        run++;
        if (run == RUN_MAX && i + 1u < n) { /* a full run at the very end needs no code behind it */
            out[code_at] = (uint8_t)(run + 1u);
            code_at = at++;
            run = 0;
        }
    }
    out[code_at] = (uint8_t)(run + 1u);
    return at;
}

bool nt_cobs_decode(uint8_t *out, size_t *out_bytes, const uint8_t *in, size_t n)
{
    size_t at = 0;
    size_t i = 0;
    while (i < n) {
        size_t code = in[i++];
        if (code == 0 || code - 1u > n - i) {
            return false;
        }
        for (size_t run = code - 1u; run != 0; run--) {
            if (in[i] == 0) {
                return false;
            }
            out[at++] = in[i++];
        }
        if (code <= RUN_MAX && i < n) {
            out[at++] = 0;
        }
    }
    *out_bytes = at;
    return true;
}
