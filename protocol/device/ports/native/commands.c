#include "commands.h"

#include <errno.h>
#include <inttypes.h>
#include <stdio.h>
#include <unistd.h>

struct word {
    const char *text;
    uint8_t faults;
    bool there;
};

static const struct word words[] = {
    {"guard open", NT_PLANT_GUARD_OPEN, true},
    {"guard closed", NT_PLANT_GUARD_OPEN, false},
    {"chain open", NT_PLANT_STOP_CHAIN_OPEN, true},
    {"chain healthy", NT_PLANT_STOP_CHAIN_OPEN, false},
    {"drive failed", NT_PLANT_DRIVE_FAILED, true},
    {"drive healthy", NT_PLANT_DRIVE_FAILED, false},
    {"bridge open", NT_PLANT_BRIDGE_OPEN, true},
    {"bridge whole", NT_PLANT_BRIDGE_OPEN, false},
    {"adc saturated", NT_PLANT_SATURATED, true},
    {"adc free", NT_PLANT_SATURATED, false},
    {"encoder blind", NT_PLANT_ENCODER_BLIND, true},
    {"encoder seeing", NT_PLANT_ENCODER_BLIND, false},
    {"winding hot", NT_PLANT_WINDING_HOT, true},
    {"winding unknown", NT_PLANT_WINDING_UNKNOWN, true},
    {"winding cool", NT_PLANT_WINDING_HOT | NT_PLANT_WINDING_UNKNOWN, false},
};

static const char *yes_or_no(bool value)
{
    return value ? "true" : "false";
}

static void tell_state(const struct nt_plant *plant, const struct nt_device *d)
{
    printf("ok {\"boot_id\": %" PRIu32 ", \"tick\": %" PRIu64 ", \"next_index\": %" PRIu64
           ", \"session\": %u, "
           "\"moving\": %s, \"energised\": %s, \"lease\": %s, \"outputs\": %u, \"faults\": %u}\n",
           d->boot.boot_id, d->link.tick, d->sampler.next_index, (unsigned)d->link.session,
           yes_or_no(nt_plant_axis_moves(&plant->drive)), yes_or_no(plant->energised),
           yes_or_no(plant->lease_live), (unsigned)plant->outputs, (unsigned)plant->faults);
}

static void obey(const char *text, struct nt_plant *plant, const struct nt_device *d)
{
    if (strcmp(text, "state") == 0) {
        tell_state(plant, d);
        return;
    }
    for (size_t i = 0; i < sizeof words / sizeof words[0]; i++) {
        if (strcmp(text, words[i].text) == 0) {
            nt_plant_set_fault(plant, words[i].faults, words[i].there);
            printf("ok %s\n", text);
            return;
        }
    }
    printf("error %s: --help lists what can be said\n", text);
}

void nt_commands_read(struct nt_commands *commands, struct nt_plant *plant, const struct nt_device *d)
{
    ssize_t n = read(STDIN_FILENO, commands->text + commands->held, sizeof commands->text - commands->held);
    if (n <= 0) {
        commands->ended = n == 0 || (errno != EAGAIN && errno != EINTR);
        return;
    }
    commands->held += (size_t)n;
    char *end = memchr(commands->text, '\n', commands->held);
    while (end != NULL) {
        *end = '\0';
        if (commands->too_long) {
            printf("error too long: --help lists what can be said\n");
            commands->too_long = false;
        } else {
            obey(commands->text, plant, d);
        }
        size_t taken = (size_t)(end - commands->text) + 1u;
        commands->held -= taken;
        memmove(commands->text, commands->text + taken, commands->held);
        end = memchr(commands->text, '\n', commands->held);
    }
    if (commands->held == sizeof commands->text) {
        commands->held = 0;
        commands->too_long = true;
    }
    fflush(stdout);
}
