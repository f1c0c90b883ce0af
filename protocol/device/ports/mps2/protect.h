#ifndef NT_MPS2_PROTECT_H
#define NT_MPS2_PROTECT_H

/* Flash read-only, no code in RAM, and a stack that grows into its guard faults. The guard is painted before.
 */
void nt_protect_memory(void);

#endif
