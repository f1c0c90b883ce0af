/* Watchdog, faults and interrupts that nobody expects: each leaves a record and resets.
 *
 * There is no way back from any of them. What drives something falls back to off with the reset; this is no
 * safety function. */
#include "nt_device.h"
#include "registers.h"
#include "startup.h"

#define EXCEPTION_NMI 2u
#define EXCEPTION_INTERRUPT_0 16u
#define FRAME_WORDS 8u /* r0 to r3, r12, lr, pc, xPSR */
#define FRAME_LR 5u
#define FRAME_PC 6u

/* How long all parts of the main loop may stay away. An emulated processor stands still as long as its host
 * is busy. */
#ifndef NT_WATCHDOG_MS
#define NT_WATCHDOG_MS 2000u
#endif
#define WATCHDOG_COUNTS_PER_MS (NT_SYSCLK_HZ / 1000u)
#define WATCHDOG_LAST_MS 5u /* from the record to the reset */

extern const uint32_t nt_ram_start[], nt_ram_end[];

__attribute__((section(".noinit"))) struct nt_keep nt_kept;
struct nt_checkin nt_checked;

void nt_fault_handler(void);
void nt_fault_record(const uint32_t *frame, uint32_t exception);

static void set_watchdog(uint32_t ms)
{
    NT_WATCHDOG_LOCK = NT_WATCHDOG_UNLOCK_KEY;
    NT_WATCHDOG->load = ms * WATCHDOG_COUNTS_PER_MS;
    NT_WATCHDOG->ctrl = NT_WATCHDOG_CTRL_INTERRUPT | NT_WATCHDOG_CTRL_RESET;
    NT_WATCHDOG_LOCK = 0; /* a program that runs wild cannot feed it by chance */
}

void nt_watchdog_start(void)
{
    set_watchdog(NT_WATCHDOG_MS);
}

void nt_watchdog_feed(void)
{
    NT_WATCHDOG_LOCK = NT_WATCHDOG_UNLOCK_KEY;
    NT_WATCHDOG->intclear = 1u;
    NT_WATCHDOG_LOCK = 0;
}

void nt_crash(uint8_t cause, uint32_t pc, uint32_t lr, uint32_t detail)
{
    nt_keep_fault(&nt_kept, cause, pc, lr, detail);
    __asm__ volatile("dsb" ::: "memory");
    NT_SCB_AIRCR = NT_SCB_AIRCR_RESET;
    for (;;) {
    }
}

/* The first expiry came as an interrupt. The second one resets, whatever happens here. */
static __attribute__((noreturn)) void wait_for_watchdog(uint32_t pc, uint32_t lr)
{
    uint32_t missing = NT_CHECKIN_ALL & ~(uint32_t)nt_checked.seen;
    nt_keep_fault(&nt_kept, NT_RESET_CAUSE_WATCHDOG, pc, lr, NT_CRASH_WATCHDOG | missing);
    set_watchdog(WATCHDOG_LAST_MS);
    for (;;) {
    }
}

/* The frame is where the stack was when it happened: not in memory when the stack itself was the cause. */
static bool readable(const uint32_t *frame)
{
    uintptr_t at = (uintptr_t)frame;
    return at % sizeof *frame == 0 && at >= (uintptr_t)nt_ram_start &&
           at + FRAME_WORDS * sizeof *frame <= (uintptr_t)nt_ram_end;
}

/* Called from nt_fault_handler only. */
__attribute__((noreturn, used)) void nt_fault_record(const uint32_t *frame, uint32_t exception)
{
    uint32_t pc = NT_CRASH_PC_UNKNOWN;
    uint32_t lr = 0;
    uint32_t detail = NT_SCB_CFSR;
    if (readable(frame) && (detail & NT_SCB_CFSR_STACKING) == 0) {
        pc = frame[FRAME_PC];
        lr = frame[FRAME_LR];
    }
    if (exception == EXCEPTION_NMI) {
        wait_for_watchdog(pc, lr);
    }
    if (exception >= EXCEPTION_INTERRUPT_0) {
        detail = NT_CRASH_INTERRUPT | exception;
    } else if (detail == 0) {
        detail = NT_SCB_HFSR;
    }
    nt_crash(NT_RESET_CAUSE_FAULT, pc, lr, detail);
}

/* Finds the frame of whoever was interrupted and goes on with a stack that is surely good. Memory, bus and
 * usage faults are not enabled, so they arrive here as HardFault. */
__attribute__((naked)) void nt_fault_handler(void)
{
    __asm__ volatile("mrs r0, msp\n\t"
                     "tst lr, #4\n\t"
                     "it ne\n\t"
                     "mrsne r0, psp\n\t"
                     "mrs r1, ipsr\n\t"
                     "ldr r2, =nt_fault_stack_top\n\t"
                     "msr msp, r2\n\t"
                     "b nt_fault_record\n\t"
                     ".ltorg");
}
