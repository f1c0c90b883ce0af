/* UART0: bytes in with their tick, frames out by interrupt at no more than the declared line rate. */
#ifndef NT_MPS2_UART_H
#define NT_MPS2_UART_H

#include "nt_rx.h"

/* Bit rate of the line, 10 bits a byte; 0 = as fast as the UART takes bytes. An emulated UART takes them at
 * any speed, so the rate is kept by counting. 921 600 carries 10 000 samples/s in blocks of 100 with 60 % of
 * the line. */
#ifndef NT_LINE_BAUD
#define NT_LINE_BAUD 921600u
#endif

void nt_uart_start(void);

/* What was received; taken in the main loop. */
struct nt_rx *nt_uart_rx(void);

/* In the main loop, every turn: the line has moved on, so more bytes may go. True once for each stall: the
 * UART took none of the bytes that were due for a while. */
bool nt_uart_advance(uint64_t tick);

/* Whether the frame before is gone and a first byte may go out now. */
bool nt_uart_idle(void);

/* Whether nothing more goes out before the line has moved on: the frame is gone, or the line's rate does not
 * allow more. */
bool nt_uart_settled(void);

/* Sends a frame. The bytes stay the caller's and must stay until nt_uart_idle. */
void nt_uart_send(const uint8_t *wire, size_t n);

/* Bytes the hardware lost because nobody took the one before; counts for ever. */
uint32_t nt_uart_overruns(void);

void nt_uart_rx_handler(void);
void nt_uart_tx_handler(void);

#endif
