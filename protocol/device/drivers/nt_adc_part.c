#include "nt_adc_part.h"

#include <string.h>

#include "nt_adc.h"

bool nt_adc_rate_bits(const struct nt_adc_part *part, uint32_t rate_hz, uint32_t *bits)
{
    for (uint8_t i = 0; i < part->rate_count; i++) {
        if (part->rates[i].rate_hz == rate_hz) {
            *bits = part->rates[i].bits;
            return true;
        }
    }
    return false;
}

void nt_adc_send(const struct nt_adc_access *access, const struct nt_adc_command *command)
{
    if (command->count == 0) {
        return;
    }
    uint8_t in[NT_ADC_COMMAND_BYTES_MAX];
    access->transfer(access->context, command->bytes, in, command->count);
}

/* The bytes in front of a register's own; returns how many. */
static size_t put_address(const struct nt_adc_part *part, uint8_t opcode, uint8_t index, uint8_t *out)
{
    size_t n = 0;
    out[n++] = (uint8_t)(opcode | part->registers[index].address << part->address_shift);
    if (part->counted) {
        out[n++] = 0; /* one register, less one */
    }
    return n;
}

void nt_adc_write_register(const struct nt_adc_part *part, const struct nt_adc_access *access, uint8_t index,
                           uint32_t value)
{
    uint8_t out[NT_ADC_TRANSFER_BYTES_MAX];
    uint8_t in[NT_ADC_TRANSFER_BYTES_MAX];
    size_t n = put_address(part, part->write_opcode, index, out);
    for (uint8_t left = part->registers[index].bytes; left != 0; left--) {
        out[n++] = (uint8_t)(value >> (8u * (left - 1u)));
    }
    access->transfer(access->context, out, in, n);
}

uint32_t nt_adc_read_register(const struct nt_adc_part *part, const struct nt_adc_access *access,
                              uint8_t index)
{
    uint8_t out[NT_ADC_TRANSFER_BYTES_MAX] = {0};
    uint8_t in[NT_ADC_TRANSFER_BYTES_MAX] = {0};
    size_t from = put_address(part, part->read_opcode, index, out);
    size_t n = from + part->registers[index].bytes;
    access->transfer(access->context, out, in, n);
    uint32_t value = 0;
    for (size_t i = from; i < n; i++) {
        value = value << 8 | in[i];
    }
    return value;
}

int32_t nt_adc_read_data(const struct nt_adc_part *part, const struct nt_adc_access *access, uint8_t *status)
{
    uint8_t out[NT_ADC_TRANSFER_BYTES_MAX] = {0};
    uint8_t in[NT_ADC_TRANSFER_BYTES_MAX] = {0};
    size_t from = part->read.count;
    memcpy(out, part->read.bytes, from);
    access->transfer(access->context, out, in, from + part->status_bytes + NT_ADC_DATA_BYTES);
    *status = part->status_bytes != 0 ? in[from] : 0;
    const uint8_t *data = in + from + part->status_bytes;
    int32_t code = (int32_t)((uint32_t)data[0] << 16 | (uint32_t)data[1] << 8 | data[2]);
    if (part->offset_binary) {
        return code + NT_ADC_COUNTS_MIN;
    }
    return code > NT_ADC_COUNTS_MAX ? code + 2 * NT_ADC_COUNTS_MIN : code;
}
