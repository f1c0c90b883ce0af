/* What the tests must know about the drivers and C alone can say: sizes of structs, and registers for the linker. */
#include "example_main.h"

extern const size_t nt_probe_sizes[];
const size_t nt_probe_sizes[] = {
    sizeof(struct nt_quadrature_config),    sizeof(struct nt_quadrature_reading),
    sizeof(struct nt_quadrature),           sizeof(struct nt_inputs_config),
    sizeof(struct nt_inputs),               sizeof(struct nt_lease_output_access),
    sizeof(struct nt_lease_output_config),  sizeof(struct nt_lease_output),
    sizeof(struct nt_adc_register),         sizeof(struct nt_adc_rate),
    sizeof(struct nt_adc_command),          sizeof(struct nt_adc_part),
    sizeof(struct nt_adc_latch),            sizeof(struct nt_adc_conversion),
    sizeof(struct nt_adc_access),           sizeof(struct nt_adc_mismatch),
    sizeof(struct nt_motion),               sizeof(struct example_access),
    offsetof(struct nt_adc, queue),         sizeof(struct nt_adc),
    offsetof(struct example, device),       sizeof(struct example),
    sizeof(struct nt_keep),
};

/* main() asks for the registers of a board; the tests call the pieces and hand theirs over. */
const struct example_access *example_registers(void)
{
    return NULL;
}
