/* The device's clock: it counts from its start, faster or slower than the host's by a constant part. */
#ifndef NT_NATIVE_CLOCK_H
#define NT_NATIVE_CLOCK_H

#include <stdint.h>

struct nt_clock {
    int64_t start_ns;
    int64_t drift_ppb;
};

/* CLOCK_MONOTONIC. */
int64_t nt_monotonic_ns(void);

/* Ticks of a microsecond, as nt_plant_board counts, at a moment not before the start. */
uint64_t nt_clock_tick(const struct nt_clock *clock, int64_t now_ns);

#endif
