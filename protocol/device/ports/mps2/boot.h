/* What this start of the board knows about itself: which board, which image, which boot, what works. */
#ifndef NT_MPS2_BOOT_H
#define NT_MPS2_BOOT_H

#include "nt_port.h"

/* Bytes of "MPS2-0000" with its end. */
#define NT_SERIAL_BYTES 10u

struct nt_identity {
    uint32_t number; /* of this board, 0 when nobody gave it one; at most NT_BOARD_NUMBER_MAX */
    char serial[NT_SERIAL_BYTES];
    const char *build;
};

/* The last word of the memory that stands for flash holds the board's number, as a microcontroller has a
 * unique number in its information block. Anything beyond the largest number (an erased word, for one) counts
 * as 0. */
#define NT_BOARD_NUMBER_AT 0x003FFFFCu
#define NT_BOARD_NUMBER_MAX 9999u

void nt_identify(struct nt_identity *identity);

/* Fills `boot`, all tests of core and port done. The clock runs. `noise` and `failed` are what start-up
 * found. */
void nt_boot_up(struct nt_boot *boot, const struct nt_board *board, uint32_t number, uint32_t noise,
                uint32_t failed);

#endif
