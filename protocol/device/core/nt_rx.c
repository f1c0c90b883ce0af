#include "nt_rx.h"

typedef char
    bytes_are_a_power_of_two[(NT_RX_BYTES & (NT_RX_BYTES - 1u)) == 0 && NT_RX_BYTES <= 32768u ? 1 : -1];
typedef char
    stamps_are_a_power_of_two[(NT_RX_STAMPS & (NT_RX_STAMPS - 1u)) == 0 && NT_RX_STAMPS <= 32768u ? 1 : -1];

void nt_rx_init(struct nt_rx *rx)
{
    memset(rx, 0, sizeof *rx);
}

void nt_rx_put(struct nt_rx *rx, uint8_t byte, uint64_t tick)
{
    uint16_t put = rx->put;
    uint16_t stamp_put = rx->stamp_put;
    bool stamped = byte == 0;
    if ((uint16_t)(put - rx->taken) == NT_RX_BYTES ||
        (stamped && (uint16_t)(stamp_put - rx->stamp_taken) == NT_RX_STAMPS)) {
        rx->overrun++;
        return;
    }
    if (stamped) {
        rx->stamps[stamp_put % NT_RX_STAMPS] = tick;
        rx->stamp_put = (uint16_t)(stamp_put + 1u);
    }
    rx->bytes[put % NT_RX_BYTES] = byte;
    rx->put = (uint16_t)(put + 1u); /* last: the reader sees whole bytes with their stamps */
}

size_t nt_rx_take(struct nt_rx *rx, uint8_t *out, size_t room, uint64_t *tick)
{
    uint16_t taken = rx->taken;
    uint16_t put = rx->put;
    size_t n = 0;
    bool ended = false;
    while (!ended && n < room && taken != put) {
        uint8_t byte = rx->bytes[taken % NT_RX_BYTES];
        out[n++] = byte;
        taken = (uint16_t)(taken + 1u);
        ended = byte == 0;
    }
    if (ended) {
        *tick = rx->stamps[rx->stamp_taken % NT_RX_STAMPS];
        rx->stamp_taken = (uint16_t)(rx->stamp_taken + 1u);
    }
    rx->taken = taken;
    return n;
}
