#include "uart.h"

#include "clock.h"
#include "registers.h"

#define BITS_PER_BYTE 10u
#define BYTES_PER_S (NT_LINE_BAUD / BITS_PER_BYTE)
#define PARTS_PER_BYTE NT_TICK_HZ
#define BURST_BYTES                                                                                          \
    16u /* handed over in one go; a UART in silicon takes two at most, an emulated one all                   \
         */
#define STALL_TICKS (NT_TICK_HZ / 50u) /* 20 ms without a byte, though some were due */

/* What an idle or late loop may make up for. The main loop comes by every 2 ms; an emulated processor may be
 * kept from it longer, and the line must not lose that time. */
#define ALLOWANCE_TICKS (NT_TICK_HZ / 50u) /* 20 ms */
#define ALLOWANCE_BYTES_MAX (BYTES_PER_S / (NT_TICK_HZ / ALLOWANCE_TICKS))

#if NT_LINE_BAUD != 0 && (NT_LINE_BAUD < 9600u || NT_LINE_BAUD > 1562500u)
#error "NT_LINE_BAUD: 9600 to 1 562 500 (the UART's divider is at least 16), or 0 for a line without a rate"
#endif

static struct nt_rx rx;
static volatile uint32_t rx_overruns;

static struct {
    const uint8_t *volatile wire;
    volatile uint32_t bytes;
    volatile uint32_t at;      /* next to go */
    volatile uint32_t allowed; /* bytes the line has room for */
    volatile bool moved;       /* a byte went since the main loop looked */
    bool stalled;
    uint64_t moved_tick;    /* when the main loop saw the line move, or with nothing to do */
    uint64_t allowed_tick;  /* up to here `allowed` is worked out */
    uint32_t allowed_parts; /* of the next byte */
} tx;

void nt_uart_start(void)
{
    nt_rx_init(&rx);
#if NT_LINE_BAUD == 0
    NT_UART0->bauddiv = NT_UART_BAUDDIV_LEAST;
#else
    NT_UART0->bauddiv = (NT_SYSCLK_HZ + NT_LINE_BAUD / 2u) / NT_LINE_BAUD;
#endif
    NT_UART0->ctrl =
        NT_UART_CTRL_TX | NT_UART_CTRL_RX | NT_UART_CTRL_TX_INTERRUPT | NT_UART_CTRL_RX_INTERRUPT;
    /* A frame on its way out must not keep a delimiter from being stamped. */
    NT_NVIC_PRIORITY(NT_IRQ_UART0_RX) = 0x20u;
    NT_NVIC_PRIORITY(NT_IRQ_UART0_TX) = 0x40u;
    NT_NVIC_ENABLE = 1u << NT_IRQ_UART0_RX | 1u << NT_IRQ_UART0_TX;
}

struct nt_rx *nt_uart_rx(void)
{
    return &rx;
}

uint32_t nt_uart_overruns(void)
{
    return rx_overruns;
}

void nt_uart_rx_handler(void)
{
    NT_UART0->intclear = NT_UART_INT_RX;
    uint32_t state = NT_UART0->state;
    if ((state & NT_UART_STATE_RX_OVERRUN) != 0) {
        NT_UART0->state = NT_UART_STATE_RX_OVERRUN;
        rx_overruns++;
    }
    if ((state & NT_UART_STATE_RX_FULL) != 0) {
        uint8_t byte = (uint8_t)NT_UART0->data;
        nt_rx_put(&rx, byte, byte == 0 ? nt_clock_tick() : 0); /* only a delimiter's moment is kept */
    }
}

/* Hands the UART what is due and fits; never while its interrupt could do the same. */
static void push(void)
{
    uint32_t left = BURST_BYTES;
    while (left != 0 && tx.at != tx.bytes && tx.allowed != 0 &&
           (NT_UART0->state & NT_UART_STATE_TX_FULL) == 0) {
        NT_UART0->data = tx.wire[tx.at];
        tx.at++;
        tx.allowed--;
        tx.moved = true;
        left--;
    }
}

void nt_uart_tx_handler(void)
{
    NT_UART0->intclear =
        NT_UART_INT_TX; /* before the bytes, or the interrupt that they cause would be lost */
    push();
}

/* How many more bytes fit on the line since this was asked last. */
static uint32_t newly_allowed(uint64_t tick)
{
    uint64_t elapsed = tick - tx.allowed_tick;
    uint32_t ticks = elapsed < ALLOWANCE_TICKS ? (uint32_t)elapsed : ALLOWANCE_TICKS;
    uint32_t parts = tx.allowed_parts + ticks * BYTES_PER_S;
    tx.allowed_tick = tick;
    tx.allowed_parts = parts % PARTS_PER_BYTE;
    return parts / PARTS_PER_BYTE;
}

bool nt_uart_advance(uint64_t tick)
{
    uint32_t more = newly_allowed(tick);
    uint32_t primask = nt_irq_save();
    uint32_t allowed = tx.allowed + more;
    tx.allowed = NT_LINE_BAUD == 0 ? NT_WIRE_BYTES_MAX : allowed;
    if (NT_LINE_BAUD != 0 && allowed > ALLOWANCE_BYTES_MAX) {
        tx.allowed = ALLOWANCE_BYTES_MAX;
    }
    push();
    bool waits = tx.at != tx.bytes && tx.allowed != 0;
    bool moved = tx.moved;
    tx.moved = false;
    nt_irq_restore(primask);
    if (moved || !waits) {
        tx.moved_tick = tick;
        tx.stalled = false;
        return false;
    }
    bool newly_stalled = !tx.stalled && tick - tx.moved_tick >= STALL_TICKS;
    tx.stalled = tx.stalled || newly_stalled;
    return newly_stalled;
}

bool nt_uart_idle(void)
{
    return tx.at == tx.bytes && tx.allowed != 0 && (NT_UART0->state & NT_UART_STATE_TX_FULL) == 0;
}

bool nt_uart_settled(void)
{
    return tx.at == tx.bytes || tx.allowed == 0;
}

void nt_uart_send(const uint8_t *wire, size_t n)
{
    uint32_t primask = nt_irq_save();
    tx.wire = wire;
    tx.bytes = (uint32_t)n;
    tx.at = 0;
    push();
    nt_irq_restore(primask);
}
