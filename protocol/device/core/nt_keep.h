/* What a reset does not clear: how often the device started, and what the last crash left.
 *
 * The port puts one struct nt_keep into memory that its start-up code does not touch. */
#ifndef NT_KEEP_H
#define NT_KEEP_H

#include "nt_port.h"

struct nt_keep {
    uint32_t magic;
    uint32_t boots;
    uint32_t fault; /* 1 + enum nt_reset_cause left by whoever reset the device on purpose, 0 = nobody did */
    uint32_t crash_pc; /* of the last crash since power came */
    uint32_t crash_lr;
    uint32_t crash_cause;
    uint32_t crc; /* over the words before */
};

/* A handler is about to reset the device: keep why. Safe in a fault handler: touches nothing but `k`. */
void nt_keep_fault(struct nt_keep *k, uint8_t cause, uint32_t pc, uint32_t lr, uint32_t detail);

/* At start-up: counts this boot and fills boot_id, reset_cause and the crash record. `hardware_cause` is what
 * the processor itself knows, NT_RESET_CAUSE_UNKNOWN when nothing; `entropy` whatever the board has, 0 when
 * nothing. */
void nt_keep_boot(struct nt_keep *k, uint8_t hardware_cause, uint32_t entropy, struct nt_boot *boot);

#endif
