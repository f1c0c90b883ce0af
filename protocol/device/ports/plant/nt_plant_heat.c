/* Warmth: first-order from the housing to the ambient, winding and bearing above the housing. */
#include "nt_plant_units.h"

#define ELECTRONICS_MW 2000
#define COPPER_UW_PER_NM2 180000
#define HOUSING_UDEGC_PER_MW 1600
#define WINDING_UDEGC_PER_MW 900
#define BEARING_UDEGC_PER_MW 6000
#define HOUSING_S 1440
#define WINDING_S 90
#define BEARING_S 240
#define BRIDGE_S 900

static void approach(int32_t *value, int64_t target, int32_t time_s)
{
    *value += (int32_t)((target - *value) / time_s);
}

void nt_plant_warm(struct nt_plant *plant)
{
    int64_t torque_mnm = (plant->torque >> 16) * 5000 / NT_PLANT_COUNTS_PER_NM_X5;
    int64_t friction_mnm = (int64_t)plant->friction * 5000 / NT_PLANT_COUNTS_PER_NM_X5;
    int64_t urad_s = plant->drive.speed * (int64_t)plant->rate_hz / NT_PLANT_Q32_PER_URAD;
    int64_t copper_mw = torque_mnm * torque_mnm / 1000 * COPPER_UW_PER_NM2 / 1000000;
    int64_t friction_mw = friction_mnm * urad_s / 1000000; /* both have the sign of the movement */
    int64_t all_mw = ELECTRONICS_MW + copper_mw + friction_mw;
    struct nt_plant_heat *heat = &plant->heat;
    approach(&heat->housing, NT_PLANT_AMBIENT_UDEGC + all_mw * HOUSING_UDEGC_PER_MW, HOUSING_S);
    approach(&heat->winding, heat->housing + copper_mw * WINDING_UDEGC_PER_MW, WINDING_S);
    approach(&heat->bearing, heat->housing + friction_mw * BEARING_UDEGC_PER_MW, BEARING_S);
    approach(&heat->bridge, NT_PLANT_AMBIENT_UDEGC + (heat->housing - NT_PLANT_AMBIENT_UDEGC) / 4, BRIDGE_S);
}
