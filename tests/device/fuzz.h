/* What the fuzz targets share. libFuzzer calls LLVMFuzzerTestOneInput; a broken promise ends the program. */
#ifndef FUZZ_H
#define FUZZ_H

#include "harness.h"

#include <stdio.h>
#include <stdlib.h>

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t n);

static inline void must(bool kept, const char *promise)
{
    if (!kept) {
        fprintf(stderr, "broken: %s\n", promise);
        abort();
    }
}

static inline void keep_promises(struct harness *h)
{
    const char *broken = h_broken(h);
    must(broken == NULL, broken);
}

/* Takes what the device has to say, at most `frames`; the bound is there for a device that never stops. */
static inline uint32_t drain(struct harness *h, uint32_t frames)
{
    uint8_t out[NT_WIRE_BYTES_MAX + 1u];
    uint32_t n = 0;
    while (n < frames && h_next(h, h->now, out) != 0) {
        keep_promises(h);
        n++;
    }
    return n;
}

#endif
