/* The memory protection unit: what a wild pointer or a full stack must not do ends in a fault where it
 * happens.
 *
 * Regions as in the Armv7-M manual (DDI 0403) B3.5: a power of two long, aligned to their length, the highest
 * number counts. Peripherals keep the default map. */
#include "protect.h"

#include <stdint.h>

#include "registers.h"

#define REGION(number, address) ((uint32_t)(uintptr_t)(address) | NT_MPU_RBAR_VALID | (number))
#define SIZE(log2_bytes) (((log2_bytes)-1u) << 1)

#define FLASH_LOG2_BYTES 22u /* all of the memory that stands for flash: a null pointer writes there */
#define RAM_LOG2_BYTES 17u
#define GUARD_LOG2_BYTES 8u

extern const uint32_t nt_flash_start[], nt_ram_start[], nt_stack_limit[];

void nt_protect_memory(void)
{
    NT_MPU_RBAR = REGION(0u, nt_flash_start);
    NT_MPU_RASR = NT_MPU_RASR_READ_ONLY | NT_MPU_RASR_NORMAL | SIZE(FLASH_LOG2_BYTES) | NT_MPU_RASR_ENABLE;
    NT_MPU_RBAR = REGION(1u, nt_ram_start);
    NT_MPU_RASR = NT_MPU_RASR_READ_WRITE | NT_MPU_RASR_NO_CODE | NT_MPU_RASR_NORMAL | SIZE(RAM_LOG2_BYTES) |
                  NT_MPU_RASR_ENABLE;
    NT_MPU_RBAR = REGION(2u, nt_stack_limit);
    NT_MPU_RASR = NT_MPU_RASR_READ_ONLY | NT_MPU_RASR_NO_CODE | NT_MPU_RASR_NORMAL | SIZE(GUARD_LOG2_BYTES) |
                  NT_MPU_RASR_ENABLE;
    NT_MPU_CTRL = NT_MPU_CTRL_ENABLE | NT_MPU_CTRL_DEFAULT_MAP;
    __asm__ volatile("dsb\n\tisb" ::: "memory");
}
