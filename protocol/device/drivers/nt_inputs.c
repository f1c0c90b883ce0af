#include "nt_inputs.h"

#include <string.h>

void nt_inputs_init(struct nt_inputs *inputs, const struct nt_inputs_config *config)
{
    memset(inputs, 0, sizeof *inputs);
    inputs->config = config;
    inputs->word = (uint16_t)(config->against & config->wired);
}

uint16_t nt_inputs_take(struct nt_inputs *inputs, uint16_t pins)
{
    const struct nt_inputs_config *config = inputs->config;
    uint16_t active = (uint16_t)((pins ^ config->active_low) & config->wired);
    uint16_t differs = (uint16_t)(active ^ inputs->word);
    uint16_t lost = (uint16_t)(differs & config->needed & ~active);
    uint16_t come = (uint16_t)(differs & config->against & active);
    uint16_t at_once = (uint16_t)(lost | come);
    for (unsigned n = 0; n < NT_INPUTS_MAX; n++) {
        uint16_t bit = (uint16_t)(1u << n);
        if ((differs & bit) == 0) {
            inputs->lasted[n] = 0;
            continue;
        }
        inputs->lasted[n]++;
        if ((at_once & bit) != 0 || inputs->lasted[n] >= config->steady[n]) {
            inputs->word ^= bit;
            inputs->lasted[n] = 0;
        }
    }
    return inputs->word;
}
