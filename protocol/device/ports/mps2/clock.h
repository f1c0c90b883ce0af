/* The device clock: microseconds since start, 64 bits, from a free-running counter.
 *
 * Interrupts are never counted: under an emulator, and behind a long critical section, some do not come. */
#ifndef NT_MPS2_CLOCK_H
#define NT_MPS2_CLOCK_H

#include <stdint.h>

#define NT_TICK_HZ 1000000u

/* Starts the counter at tick 0. */
void nt_clock_start(void);

/* The tick now; from the main loop and from interrupts. */
uint64_t nt_clock_tick(void);

/* Wakes the sleeping processor every so often; an interrupt that does nothing and that nobody counts. */
void nt_clock_wake_every(uint32_t us);
void nt_timer1_handler(void);

/* A moment without interrupts. */
static inline uint32_t nt_irq_save(void)
{
    uint32_t primask;
    __asm__ volatile("mrs %0, primask\n\tcpsid i" : "=r"(primask)::"memory");
    return primask;
}

static inline void nt_irq_restore(uint32_t primask)
{
    __asm__ volatile("msr primask, %0" ::"r"(primask) : "memory");
}

#endif
