/* The ring of encoded blocks: the oldest gives way, and what is asked for again goes out bit for bit as
 * before. */
#ifndef NT_RING_H
#define NT_RING_H

#include "nt_config.h"

struct nt_ring_slot {
    uint32_t at; /* offset of the first byte */
    uint16_t bytes;
};

struct nt_ring {
    uint32_t oldest_seq; /* oldest block held; next_seq when there is none */
    uint32_t next_seq;   /* of the next new block */
    uint32_t next_send;  /* oldest block that was never sent; next_seq when there is none */
    uint32_t overwritten_unsent;
    uint32_t high_water; /* most bytes that ever waited unsent */
    uint32_t waiting;
    uint32_t used;
    uint32_t head; /* where the next block goes */
    struct nt_ring_slot slots[NT_RING_BLOCKS_MAX];
    uint8_t bytes[NT_RING_BYTES];
};

void nt_ring_init(struct nt_ring *r);

/* Forgets all blocks and numbers from 0 again; the counters stay. */
void nt_ring_empty(struct nt_ring *r);

/* Stores one encoded block of 1 to NT_DATA_WIRE_BYTES, at the cost of the oldest ones. */
void nt_ring_push(struct nt_ring *r, const uint8_t *wire, size_t n);

/* Whether a block waits to be sent for the first time. */
bool nt_ring_has_unsent(const struct nt_ring *r);

/* Copies the oldest unsent block, which counts as sent from now on; returns its bytes. There must be one. */
size_t nt_ring_send_next(struct nt_ring *r, uint8_t *wire);

/* Copies a block that was sent before; 0 when it is gone, was never sent or never made. */
size_t nt_ring_again(const struct nt_ring *r, uint32_t seq, uint8_t *wire);

#endif
