#include "nt_keep.h"

#include "nt_crc32c.h"

#define MAGIC 0x6E746B31u

static uint32_t crc_of(const struct nt_keep *k)
{
    return nt_crc32c(0, (const uint8_t *)k, offsetof(struct nt_keep, crc));
}

static bool holds(const struct nt_keep *k)
{
    return k->magic == MAGIC && k->crc == crc_of(k);
}

static void clear(struct nt_keep *k)
{
    memset(k, 0, sizeof *k);
    k->magic = MAGIC;
}

void nt_keep_fault(struct nt_keep *k, uint8_t cause, uint32_t pc, uint32_t lr, uint32_t detail)
{
    if (!holds(k)) {
        clear(k);
    }
    k->fault = 1u + cause;
    k->crash_pc = pc;
    k->crash_lr = lr;
    k->crash_cause = detail;
    k->crc = crc_of(k);
}

/* Every bit of the input changes about half of the output: a boot counter alone would repeat after each power
 * cut. */
static uint32_t mix(uint32_t x)
{
    x ^= x >> 16;
    x *= 0x7FEB352Du;
    x ^= x >> 15;
    x *= 0x846CA68Bu;
    return x ^ (x >> 16);
}

void nt_keep_boot(struct nt_keep *k, uint8_t hardware_cause, uint32_t entropy, struct nt_boot *boot)
{
    uint8_t cause = hardware_cause;
    if (!holds(k)) {
        clear(k);
        if (cause == NT_RESET_CAUSE_UNKNOWN) {
            cause = NT_RESET_CAUSE_POWER; /* the memory lost its content */
        }
    } else if (k->fault != 0) {
        cause = (uint8_t)(k->fault - 1u);
    }
    k->boots++;
    k->fault = 0;
    k->crc = crc_of(k);
    boot->boot_id = mix(k->boots ^ mix(entropy));
    if (boot->boot_id == 0) {
        boot->boot_id = 1;
    }
    boot->reset_cause = cause;
    boot->crash_pc = k->crash_pc;
    boot->crash_lr = k->crash_lr;
    boot->crash_cause = k->crash_cause;
}
