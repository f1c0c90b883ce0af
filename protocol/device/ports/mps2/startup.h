/* From reset to nt_main, and what happens when something goes wrong. */
#ifndef NT_MPS2_STARTUP_H
#define NT_MPS2_STARTUP_H

#include "nt_checkin.h"
#include "nt_keep.h"

/* What crash_cause holds besides the processor's CFSR (or HFSR when that is 0). */
#define NT_CRASH_INTERRUPT                                                                                   \
    0x80000000u                       /* one that nobody enabled; its exception number is in the low bits    \
                                       */
#define NT_CRASH_WATCHDOG 0x40000000u /* the NT_CHECKIN_ parts that did not come by are in the low bits */
#define NT_CRASH_STACK 0x20000000u    /* the guard below the stack was overwritten */

#define NT_CRASH_PC_UNKNOWN 0xFFFFFFFFu /* the stack was gone, and with it where it happened */

/* Tests of this port, beside the core's. */
#define NT_SELF_TEST_MEMORY (NT_SELF_TEST_PORT << 0)
#define NT_SELF_TEST_CLOCK (NT_SELF_TEST_PORT << 1)
#define NT_SELF_TEST_FLASH (NT_SELF_TEST_PORT << 2)

extern struct nt_keep nt_kept;       /* survives a reset */
extern struct nt_checkin nt_checked; /* parts of the main loop that came by since the watchdog was fed */

/* Bytes between two places that the linker script names. */
static inline size_t nt_bytes_between(const void *from, const void *to)
{
    return (size_t)((uintptr_t)to - (uintptr_t)from);
}

/* Notes a crash and resets. Needs next to no stack. */
__attribute__((noreturn)) void nt_crash(uint8_t cause, uint32_t pc, uint32_t lr, uint32_t detail);

/* Whether the guard at the end of the stack is as it was painted; for silicon without the protection of
 * protect.h. */
bool nt_stack_guarded(void);

/* Starts the watchdog, and feeds it. */
void nt_watchdog_start(void);
void nt_watchdog_feed(void);

/* Goes on after reset. `noise`: a CRC over memory as it was found; `failed`: NT_SELF_TEST_MEMORY or 0. */
__attribute__((noreturn)) void nt_main(uint32_t noise, uint32_t failed);

#endif
