/* The table that describes a converter, and the transfers that follow from it.
 *
 * Usual parts differ in addresses, opcodes and bits, and agree in the rest: registers of one to three bytes,
 * most significant byte first, behind a command byte that holds the address; commands of a few bytes; 24 bits
 * of data behind a data-ready edge, with or without a status byte in front. What is in this table is that
 * difference. */
#ifndef NT_ADC_PART_H
#define NT_ADC_PART_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define NT_ADC_COMMAND_BYTES_MAX 16u /* the longest: a reset by so many ones */
#define NT_ADC_REGISTER_BYTES_MAX 3u
#define NT_ADC_DATA_BYTES 3u
#define NT_ADC_STATUS_BYTES_MAX 1u
#define NT_ADC_TRANSFER_BYTES_MAX (NT_ADC_COMMAND_BYTES_MAX + NT_ADC_STATUS_BYTES_MAX + NT_ADC_DATA_BYTES)

#define NT_ADC_COUNTS_MAX 8388607 /* 24 bits, two's complement */
#define NT_ADC_COUNTS_MIN (-8388608)

/* One register as it must stand. */
struct nt_adc_register {
    uint8_t address;
    uint8_t bytes; /* 1 to NT_ADC_REGISTER_BYTES_MAX */
    uint32_t value;
    uint32_t compare; /* bits that read back as written; reserved and status bits do not */
};

struct nt_adc_rate {
    uint32_t rate_hz;
    uint32_t bits; /* inside rate_mask of the rate register */
};

struct nt_adc_command {
    uint8_t count; /* 0: the part has no such command */
    uint8_t bytes[NT_ADC_COMMAND_BYTES_MAX];
};

struct nt_adc_part {
    const struct nt_adc_register *registers; /* in the order in which they are to be written */
    const struct nt_adc_rate *rates;
    uint8_t register_count;
    uint8_t rate_count;

    /* How a register is reached: opcode | address << shift, then the number of registers less one where the
     * part wants it, then the bytes. */
    uint8_t write_opcode;
    uint8_t read_opcode;
    uint8_t address_shift;
    bool counted;

    struct nt_adc_command reset; /* beside the pin, or instead of it */
    struct nt_adc_command stop;  /* before registers can be reached; none: they always can */
    struct nt_adc_command start; /* begins to convert; none: the part always does */
    struct nt_adc_command read;  /* in front of the data; none: they come by themselves behind data-ready */

    bool offset_binary;        /* half of full scale is zero; else two's complement */
    uint8_t status_bytes;      /* in front of the data: 0 or 1 */
    uint8_t status_fault_mask; /* bits of it that mean: do not believe these data */
    uint8_t rate_register;     /* which of `registers` holds the rate */
    uint8_t burnout_register;  /* which of `registers` switches the burn-out currents */
    uint32_t rate_mask;        /* its bits that are the rate */
    uint32_t burnout_mask;     /* 0: the part has none, or they are not used */
    uint32_t burnout_bits;     /* of that mask: on; `value` is off */
    uint32_t burnout_counts;   /* a whole bridge reads less with the currents on, either way */
    uint32_t open_counts;      /* a bridge that reads this or more, either way, ... */
    uint16_t open_conversions; /* ... so often in a row is open; 0: the rail says nothing */
    uint16_t
        settle_conversions; /* to drop after a start: order of the filter, and what the amplifier needs */
    uint16_t
        silent_conversions; /* so many periods without data-ready are a fault; more than the filter's order */
    uint32_t reset_us;      /* from reset to the first command */
    uint32_t
        jitter_ticks; /* a data-ready that comes this much off its time is TICK_UNCERTAIN; 0: any is good */
};

struct nt_adc_access;

/* Bits of a rate; false when the table has no such rate. */
bool nt_adc_rate_bits(const struct nt_adc_part *part, uint32_t rate_hz, uint32_t *bits);

/* Sends a command, if the part has it. */
void nt_adc_send(const struct nt_adc_access *access, const struct nt_adc_command *command);

void nt_adc_write_register(const struct nt_adc_part *part, const struct nt_adc_access *access, uint8_t index,
                           uint32_t value);
uint32_t nt_adc_read_register(const struct nt_adc_part *part, const struct nt_adc_access *access,
                              uint8_t index);

/* Reads a conversion; `status` becomes 0 when the part sends none. */
int32_t nt_adc_read_data(const struct nt_adc_part *part, const struct nt_adc_access *access, uint8_t *status);

#endif
