#include "nt_ring.h"

/* Block numbers wrap at 2^32, so that a slot must follow from the low bits. */
typedef char blocks_are_a_power_of_two
    [(NT_RING_BLOCKS_MAX & (NT_RING_BLOCKS_MAX - 1u)) == 0 && NT_RING_BLOCKS_MAX != 0 ? 1 : -1];
typedef char a_block_fits[NT_RING_BYTES >= NT_DATA_WIRE_BYTES ? 1 : -1];

void nt_ring_init(struct nt_ring *r)
{
    memset(r, 0, sizeof *r);
}

void nt_ring_empty(struct nt_ring *r)
{
    r->oldest_seq = 0;
    r->next_seq = 0;
    r->next_send = 0;
    r->waiting = 0;
    r->used = 0;
    r->head = 0;
}

static struct nt_ring_slot *slot_of(struct nt_ring *r, uint32_t seq)
{
    return &r->slots[seq % NT_RING_BLOCKS_MAX];
}

static void drop_oldest(struct nt_ring *r)
{
    uint32_t bytes = slot_of(r, r->oldest_seq)->bytes;
    r->used -= bytes;
    if (r->next_send == r->oldest_seq) {
        r->next_send++;
        r->waiting -= bytes;
        r->overwritten_unsent++;
    }
    r->oldest_seq++;
}

void nt_ring_push(struct nt_ring *r, const uint8_t *wire, size_t n)
{
    uint32_t bytes = (uint32_t)n;
    while (r->used + bytes > NT_RING_BYTES || r->next_seq - r->oldest_seq == NT_RING_BLOCKS_MAX) {
        drop_oldest(r);
    }
    struct nt_ring_slot *slot = slot_of(r, r->next_seq);
    slot->at = r->head;
    slot->bytes = (uint16_t)n;
    uint32_t to_end = NT_RING_BYTES - r->head;
    uint32_t first = bytes < to_end ? bytes : to_end;
    memcpy(r->bytes + r->head, wire, first);
    memcpy(r->bytes, wire + first, bytes - first);
    r->head = (r->head + bytes) % NT_RING_BYTES;
    r->used += bytes;
    r->waiting += bytes;
    if (r->waiting > r->high_water) {
        r->high_water = r->waiting;
    }
    r->next_seq++;
}

bool nt_ring_has_unsent(const struct nt_ring *r)
{
    return r->next_send != r->next_seq;
}

static size_t copy(const struct nt_ring *r, uint32_t seq, uint8_t *wire)
{
    const struct nt_ring_slot *slot = &r->slots[seq % NT_RING_BLOCKS_MAX];
    uint32_t to_end = NT_RING_BYTES - slot->at;
    uint32_t first = slot->bytes < to_end ? slot->bytes : to_end;
    memcpy(wire, r->bytes + slot->at, first);
    memcpy(wire + first, r->bytes, slot->bytes - first);
    return slot->bytes;
}

size_t nt_ring_send_next(struct nt_ring *r, uint8_t *wire)
{
    size_t n = copy(r, r->next_send, wire);
    r->next_send++;
    r->waiting -= (uint32_t)n;
    return n;
}

size_t nt_ring_again(const struct nt_ring *r, uint32_t seq, uint8_t *wire)
{
    /* Differences, because numbers wrap. */
    if (seq - r->oldest_seq >= r->next_send - r->oldest_seq) {
        return 0;
    }
    return copy(r, seq, wire);
}
