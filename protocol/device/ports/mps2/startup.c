/* Vector table and reset: from here to nt_main with memory as C expects it. */
#include "startup.h"

#include "clock.h"
#include "nt_crc32c.h"
#include "nt_device.h"
#include "protect.h"
#include "registers.h"
#include "uart.h"

#define PAINT 0xC0DEC0DEu /* of the stack, to see later how deep it went */
#define PAINT_SLACK_WORDS 8u

/* Places that memory.ld names; only their addresses mean something. */
extern uint32_t nt_stack_limit[], nt_stack_bottom[], nt_stack_top[];
extern uint32_t nt_data_start[], nt_data_end[], nt_bss_end[];
extern const uint32_t nt_data_load[];

void nt_reset_handler(void);
void nt_fault_handler(void);

typedef void (*handler)(void);

/* Vector 0 is no function but where the stack begins. */
struct vectors {
    uint32_t *stack_top;
    handler system[15];
    handler irq[NT_IRQS];
};

extern const struct vectors nt_vectors;

#define TRAP nt_fault_handler
#define TRAPS_4 TRAP, TRAP, TRAP, TRAP

/* Every place is filled: what nobody expects is noted and resets. */
__attribute__((section(".vectors"), used)) const struct vectors nt_vectors = {
    .stack_top = nt_stack_top,
    .system = {nt_reset_handler, TRAP, TRAP, TRAPS_4, TRAPS_4, TRAPS_4},
    .irq = {nt_uart_rx_handler, nt_uart_tx_handler, TRAP, TRAP, TRAPS_4, TRAP, nt_timer1_handler, TRAP, TRAP,
            TRAPS_4, TRAPS_4, TRAPS_4, TRAPS_4, TRAPS_4},
};

static size_t words_between(const uint32_t *from, const uint32_t *to)
{
    return nt_bytes_between(from, to) / sizeof *from;
}

bool nt_stack_guarded(void)
{
    size_t words = words_between(nt_stack_limit, nt_stack_bottom);
    bool whole = true;
    for (size_t i = 0; i < words; i++) {
        whole = whole && nt_stack_limit[i] == PAINT;
    }
    return whole;
}

static void paint_stack(void)
{
    const uint32_t *sp;
    __asm__ volatile("mov %0, sp" : "=r"(sp));
    size_t words = words_between(nt_stack_limit, sp) - PAINT_SLACK_WORDS;
    for (size_t i = 0; i < words; i++) {
        nt_stack_limit[i] = PAINT;
    }
}

static uint32_t wanted(const volatile uint32_t *word, uint32_t flip)
{
    return (uint32_t)(uintptr_t)word ^ flip;
}

/* Writes to each word its own address and then the opposite, so that stuck bits and mixed-up addresses show;
 * leaves zeros. From memory: common practice for a short test at start, no march test of a standard. */
static bool memory_works(volatile uint32_t *memory, size_t words)
{
    static const uint32_t flips[] = {0, 0xFFFFFFFFu};
    bool works = true;
    for (size_t pass = 0; pass < sizeof flips / sizeof flips[0]; pass++) {
        for (size_t i = 0; i < words; i++) {
            memory[i] = wanted(&memory[i], flips[pass]);
        }
        for (size_t i = 0; i < words; i++) {
            works = works && memory[i] == wanted(&memory[i], flips[pass]);
        }
    }
    for (size_t i = 0; i < words; i++) {
        memory[i] = 0;
    }
    return works;
}

void nt_reset_handler(void)
{
    paint_stack();
    nt_protect_memory();
    size_t words = words_between(nt_data_start, nt_bss_end);
    uint32_t noise = nt_crc32c(0, (const uint8_t *)nt_data_start, words * sizeof nt_data_start[0]);
    uint32_t failed = memory_works(nt_data_start, words) ? 0 : NT_SELF_TEST_MEMORY;
    size_t data_words = words_between(nt_data_start, nt_data_end);
    for (size_t i = 0; i < data_words; i++) {
        nt_data_start[i] = nt_data_load[i];
    }
    nt_main(noise, failed);
}
