#include "boot.h"

#include "clock.h"
#include "nt_crc32c.h"
#include "nt_device.h"
#include "registers.h"
#include "startup.h"
#include "uart.h"

#define TEXT_OF(x) #x
#define TEXT(x) TEXT_OF(x)
#define JITTER_READINGS 256u

#ifndef NT_BOOT_ENTROPY
#define NT_BOOT_ENTROPY 0u
#endif

extern const uint8_t nt_flash_start[], nt_flash_end[];

/* Of the image; written into the linked file. An image that nobody stamped has nothing to be compared with.
 */
#define UNSTAMPED 0xFFFFFFFFu
__attribute__((section(".stamp"))) static const volatile uint32_t stamp = UNSTAMPED;

/* Whatever changes what the image does, so that two boards with the same config_hash were built alike. */
extern const char nt_build_options[];
const char nt_build_options[] = NT_MACHINE " wire " NT_DEFINITION_DIGEST " NT_LINE_BAUD=" TEXT(
    NT_LINE_BAUD) " NT_RING_BYTES=" TEXT(NT_RING_BYTES) " NT_RING_BLOCKS_MAX=" TEXT(NT_RING_BLOCKS_MAX);

/* No date and no path: the same sources and the same compiler give the same image. */
static const char build[] = NT_MACHINE " gcc " __VERSION__;

void nt_identify(struct nt_identity *identity)
{
    static const char blank[NT_SERIAL_BYTES] = "MPS2-0000";
    uint32_t number = *(const volatile uint32_t *)NT_BOARD_NUMBER_AT;
    identity->number = number <= NT_BOARD_NUMBER_MAX ? number : 0;
    identity->build = build;
    memcpy(identity->serial, blank, sizeof blank);
    uint32_t rest = identity->number;
    for (size_t at = NT_SERIAL_BYTES - 2u; rest != 0; at--) {
        identity->serial[at] = (char)('0' + rest % 10u);
        rest /= 10u;
    }
}

/* Boot ids must differ from start to start. On silicon most of the difference is what memory held at power-on
 * (`noise`) and the boot counter behind it. An emulator's memory is blank, so there it is the jitter between
 * readings of a counter that follows the host's clock. On silicon that jitter is next to nothing, since
 * processor and counter share a clock: weak, not worthless. The board's number keeps two boards apart that
 * are started alike; with none of it, under -icount, two starts have the same boot id and only the tick that
 * runs backwards tells them apart. */
static uint32_t entropy(uint32_t number, uint32_t noise)
{
    uint32_t mixed = noise ^ NT_BOOT_ENTROPY;
    mixed = nt_crc32c(mixed, (const uint8_t *)&number, sizeof number);
    for (uint32_t i = 0; i < JITTER_READINGS; i++) {
        uint32_t reading = NT_TIMER0->value;
        mixed = nt_crc32c(mixed, (const uint8_t *)&reading, sizeof reading);
    }
    return mixed;
}

void nt_boot_up(struct nt_boot *boot, const struct nt_board *board, uint32_t number, uint32_t noise,
                uint32_t failed)
{
    uint64_t begun = nt_clock_tick();
    nt_keep_boot(&nt_kept, NT_RESET_CAUSE_UNKNOWN, entropy(number, noise), boot);
    boot->flash_crc = nt_crc32c(0, nt_flash_start, nt_bytes_between(nt_flash_start, nt_flash_end));
    boot->config_hash = nt_crc32c(0, (const uint8_t *)nt_build_options, sizeof nt_build_options - 1u);
    boot->self_test = failed | nt_self_test(board);
    if (stamp != UNSTAMPED && stamp != boot->flash_crc) {
        boot->self_test |= NT_SELF_TEST_FLASH;
    }
    if (nt_clock_tick() == begun) { /* the image takes far longer than a tick to read */
        boot->self_test |= NT_SELF_TEST_CLOCK;
    }
}
