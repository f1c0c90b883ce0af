/* The registers this port uses, and where the boards mps2-an385 and mps2-an386 have them: the peripherals of
 * Arm's Cortex-M System Design Kit (technical reference manual DDI 0479) and the System Control Space
 * (Armv7-M manual DDI 0403). */
#ifndef NT_MPS2_REGISTERS_H
#define NT_MPS2_REGISTERS_H

#include <stdint.h>

#define NT_SYSCLK_HZ 25000000u

struct nt_timer_registers { /* CMSDK APB timer: counts down, reloads at 0 */
    volatile uint32_t ctrl;
    volatile uint32_t value;
    volatile uint32_t reload;
    volatile uint32_t intclear;
};
#define NT_TIMER_CTRL_ENABLE 0x1u
#define NT_TIMER_CTRL_INTERRUPT 0x8u
#define NT_TIMER0 ((struct nt_timer_registers *)0x40000000u)
#define NT_TIMER1 ((struct nt_timer_registers *)0x40001000u)

struct nt_uart_registers { /* CMSDK APB UART: one byte each way, no FIFO */
    volatile uint32_t data;
    volatile uint32_t state;
    volatile uint32_t ctrl;
    volatile uint32_t intclear; /* reads as the interrupts that are pending */
    volatile uint32_t bauddiv;
};
#define NT_UART_STATE_TX_FULL 0x1u
#define NT_UART_STATE_RX_FULL 0x2u
#define NT_UART_STATE_RX_OVERRUN 0x8u
#define NT_UART_CTRL_TX 0x1u
#define NT_UART_CTRL_RX 0x2u
#define NT_UART_CTRL_TX_INTERRUPT 0x4u
#define NT_UART_CTRL_RX_INTERRUPT 0x8u
#define NT_UART_INT_TX 0x1u
#define NT_UART_INT_RX 0x2u
#define NT_UART_BAUDDIV_LEAST 16u
#define NT_UART0 ((struct nt_uart_registers *)0x40004000u)

struct nt_watchdog_registers { /* CMSDK APB watchdog: the first expiry interrupts, the second resets */
    volatile uint32_t load;
    volatile uint32_t value;
    volatile uint32_t ctrl;
    volatile uint32_t intclear;
    volatile uint32_t ris;
    volatile uint32_t mis;
};
#define NT_WATCHDOG_CTRL_INTERRUPT 0x1u
#define NT_WATCHDOG_CTRL_RESET 0x2u
#define NT_WATCHDOG ((struct nt_watchdog_registers *)0x40008000u)
#define NT_WATCHDOG_LOCK (*(volatile uint32_t *)0x40008C00u)
#define NT_WATCHDOG_UNLOCK_KEY 0x1ACCE551u

#define NT_NVIC_ENABLE (*(volatile uint32_t *)0xE000E100u)                 /* interrupts 0 to 31 */
#define NT_NVIC_PRIORITY(irq) (*(volatile uint8_t *)(0xE000E400u + (irq))) /* smaller goes first */
#define NT_SCB_AIRCR (*(volatile uint32_t *)0xE000ED0Cu)
#define NT_SCB_AIRCR_RESET 0x05FA0004u /* key and SYSRESETREQ */
#define NT_SCB_CFSR (*(volatile uint32_t *)0xE000ED28u)
#define NT_SCB_CFSR_STACKING 0x00001010u /* no frame could be written: MSTKERR, STKERR */
#define NT_SCB_HFSR (*(volatile uint32_t *)0xE000ED2Cu)

#define NT_MPU_CTRL (*(volatile uint32_t *)0xE000ED94u)
#define NT_MPU_CTRL_ENABLE 0x1u
#define NT_MPU_CTRL_DEFAULT_MAP 0x4u /* outside the regions */
#define NT_MPU_RBAR (*(volatile uint32_t *)0xE000ED9Cu)
#define NT_MPU_RBAR_VALID 0x10u /* the low bits name the region */
#define NT_MPU_RASR (*(volatile uint32_t *)0xE000EDA0u)
#define NT_MPU_RASR_ENABLE 0x1u
#define NT_MPU_RASR_NORMAL (0x2u << 16)     /* write-through, not shared */
#define NT_MPU_RASR_READ_WRITE (0x1u << 24) /* for this program, which is all privileged */
#define NT_MPU_RASR_READ_ONLY (0x5u << 24)
#define NT_MPU_RASR_NO_CODE (0x1u << 28)

#define NT_IRQS 32u
#define NT_IRQ_UART0_RX 0u
#define NT_IRQ_UART0_TX 1u
#define NT_IRQ_TIMER1 9u

#endif
