#include "clock.h"

#include <time.h>

#define NS_PER_TICK 1000
#define PPB 1000000000

int64_t nt_monotonic_ns(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (int64_t)now.tv_sec * 1000000000 + now.tv_nsec;
}

uint64_t nt_clock_tick(const struct nt_clock *clock, int64_t now_ns)
{
    /* Some hundred days fit before the product overflows, at the largest drift. */
    int64_t nominal = (now_ns - clock->start_ns) / NS_PER_TICK;
    return (uint64_t)(nominal + nominal * clock->drift_ppb / PPB);
}
