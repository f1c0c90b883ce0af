#include "clock.h"

#include "extend.h"
#include "registers.h"

#define COUNTS_PER_TICK (NT_SYSCLK_HZ / NT_TICK_HZ)
#define WHOLE_RANGE 0xFFFFFFFFu

static struct nt_extended extended;

void nt_clock_start(void)
{
    NT_TIMER0->ctrl = 0;
    NT_TIMER0->reload = WHOLE_RANGE;
    NT_TIMER0->value = WHOLE_RANGE;
    NT_TIMER0->ctrl = NT_TIMER_CTRL_ENABLE;
}

uint64_t nt_clock_tick(void)
{
    uint32_t primask = nt_irq_save();
    uint64_t tick = nt_extend(&extended, WHOLE_RANGE - NT_TIMER0->value, COUNTS_PER_TICK);
    nt_irq_restore(primask);
    return tick;
}

void nt_clock_wake_every(uint32_t us)
{
    NT_TIMER1->ctrl = 0;
    NT_TIMER1->reload = us * COUNTS_PER_TICK - 1u;
    NT_TIMER1->value = us * COUNTS_PER_TICK - 1u;
    NT_TIMER1->ctrl = NT_TIMER_CTRL_ENABLE | NT_TIMER_CTRL_INTERRUPT;
    NT_NVIC_PRIORITY(NT_IRQ_TIMER1) = 0x60u;
    NT_NVIC_ENABLE = 1u << NT_IRQ_TIMER1;
}

void nt_timer1_handler(void)
{
    NT_TIMER1->intclear = 1u;
}
