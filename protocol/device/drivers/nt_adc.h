/* A 24-bit delta-sigma converter on SPI with a data-ready line: no particular part, but a table that
 * describes one.
 *
 * Two sides. The data-ready interrupt calls nt_adc_data_ready, which latches clock, encoder and inputs before
 * anything else, reads the conversion and puts all of it into a queue. The main loop calls nt_adc_poll and
 * nt_adc_take, and owns everything but the queue's `put`. Nothing here waits: reset, configuration, settling
 * and the check for an open bridge are steps that nt_adc_poll and nt_adc_take go through.
 *
 * To port: fill in struct nt_adc_part from the data sheet and give the functions of struct nt_adc_access. */
#ifndef NT_ADC_H
#define NT_ADC_H

#include "nt_adc_part.h"

/* Conversions between interrupt and main loop, a power of two: as long as the longest turn of the loop lasts.
 */
#ifndef NT_ADC_QUEUE
#define NT_ADC_QUEUE 32u
#endif

/* How often a converter is started again before it is given up. */
#define NT_ADC_STARTS_MAX 5u

/* All of one moment, as the hardware has it. */
struct nt_adc_latch {
    uint64_t tick;        /* device clock */
    uint32_t count;       /* of the encoder's timer */
    uint32_t index_count; /* that the index captured */
    uint16_t pins;        /* inputs, undebounced */
    bool index;           /* it captured one since the latch before */
    bool blind;           /* the encoder's receiver says that nobody drives its lines */
};

struct nt_adc_conversion {
    struct nt_adc_latch latch;
    int32_t torque; /* counts, 24 bits sign-extended */
    uint8_t status; /* the part's own, 0 when it sends none */
    uint16_t flags; /* NT_SAMPLE_FLAG_BRIDGE_FAULT, _TICK_UNCERTAIN */
};

struct nt_adc_access {
    void *context;
    uint32_t tick_hz;

    /* In the interrupt, first of all: best from capture registers that data-ready itself has triggered. */
    void (*latch)(void *context, struct nt_adc_latch *latch);

    /* Shifts n bytes out and in, chip select low from the first to the last. */
    void (*transfer)(void *context, const uint8_t *out, uint8_t *in, size_t n);

    /* Whether the data-ready line is active now. */
    bool (*ready)(void *context);

    /* Lets the data-ready interrupt through, or not; an edge that came meanwhile may be forgotten. */
    void (*interrupt)(void *context, bool on);

    /* Pulses the reset pin. NULL: the part is reset by a command. */
    void (*reset)(void *context);
};

enum nt_adc_state {
    NT_ADC_OFF,       /* not begun */
    NT_ADC_RESETTING, /* waits for the part to come up */
    NT_ADC_CHECKING,  /* burn-out currents are on */
    NT_ADC_CHECKED,   /* they have said what they had to say */
    NT_ADC_RUNNING,   /* the first conversions are still dropped */
    NT_ADC_FAILED     /* given up: see `faults` */
};

/* Faults that stand. */
#define NT_ADC_FAULT_READ_BACK 0x01u   /* a register does not read as it was written */
#define NT_ADC_FAULT_SILENT 0x02u      /* no conversion came in time; the line is inactive */
#define NT_ADC_FAULT_READY_STUCK 0x04u /* the same; the line is active whatever is read */
#define NT_ADC_FAULT_BRIDGE_OPEN 0x08u /* the burn-out currents said so at the last start */
#define NT_ADC_FAULT_AT_RAIL 0x10u     /* at the end of the range for so long that the bridge must be open */
#define NT_ADC_FAULT_STATUS 0x20u      /* the part's own status says: do not believe these data */

struct nt_adc_mismatch {
    uint32_t wanted;
    uint32_t seen;
    uint8_t address;
};

struct nt_adc {
    const struct nt_adc_part *part;
    const struct nt_adc_access *access;
    enum nt_adc_state state;
    uint8_t faults;   /* NT_ADC_FAULT_ */
    uint8_t starts;   /* in vain, since the last conversion */
    uint16_t discard; /* conversions still to be dropped */
    uint16_t at_rail; /* conversions in a row at the end of the range */
    uint32_t rate_hz;
    uint64_t due_tick;   /* RESETTING: the part is up */
    uint64_t heard_tick; /* of the newest conversion, or of the start */
    bool timed;          /* heard_tick is a conversion's */
    uint32_t restarts;   /* lifetime counters, from here on */
    uint32_t missed_edges;
    uint32_t overrun_seen;           /* of `overrun`, by the main loop */
    struct nt_adc_mismatch mismatch; /* the first of the newest READ_BACK */

    volatile uint32_t glitches; /* interrupts without data; the interrupt's */
    volatile uint32_t overrun;  /* conversions that found the queue full; the interrupt's */
    volatile uint16_t put;      /* free-running; the interrupt's */
    volatile uint16_t taken;    /* free-running; the main loop's */
    volatile struct nt_adc_conversion queue[NT_ADC_QUEUE];
};

/* `part` and `access` stay with the caller. */
void nt_adc_init(struct nt_adc *adc, const struct nt_adc_part *part, const struct nt_adc_access *access);

/* Resets the part and sets it up for a rate, from the beginning and whatever it was doing. False: the table
 * has no such rate. What is in the queue is gone; the hole shows in the sample numbers. */
bool nt_adc_begin(struct nt_adc *adc, uint32_t rate_hz, uint64_t tick);

/* In every turn of the main loop: what is due. */
void nt_adc_poll(struct nt_adc *adc, uint64_t tick);

/* In the data-ready interrupt. */
void nt_adc_data_ready(struct nt_adc *adc);

/* In the main loop: the next conversion worth having, in order. */
bool nt_adc_take(struct nt_adc *adc, struct nt_adc_conversion *conversion);

/* Whether the bridge cannot be seen: no conversions, or none that can be believed. Not while the part
 * settles. */
bool nt_adc_is_blind(const struct nt_adc *adc);

#endif
