/* Bytes between the receive interrupt and the main loop, with the tick at which each delimiter arrived.
 *
 * One writer (the interrupt), one reader (the main loop), no lock: each index is written by one side only. */
#ifndef NT_RX_H
#define NT_RX_H

#include "nt_config.h"

struct nt_rx {
    volatile uint16_t put;   /* free-running; the interrupt's */
    volatile uint16_t taken; /* free-running; the main loop's */
    volatile uint16_t stamp_put;
    volatile uint16_t stamp_taken;
    volatile uint32_t overrun; /* bytes that found no room */
    volatile uint8_t bytes[NT_RX_BYTES];
    volatile uint64_t stamps[NT_RX_STAMPS];
};

void nt_rx_init(struct nt_rx *rx);

/* In the interrupt: one byte and the tick at which it came. */
void nt_rx_put(struct nt_rx *rx, uint8_t byte, uint64_t tick);

/* In the main loop: bytes up to the next delimiter and with it, or what there is without one. Returns how
 * many; `tick` becomes the delimiter's when there was one. */
size_t nt_rx_take(struct nt_rx *rx, uint8_t *out, size_t room, uint64_t *tick);

#endif
