"""How long a block lasts."""

from __future__ import annotations

from needlecoach.model.plan import Lasting, Plan

# Rathbun et al., J Med Ultrasound 2022;30:130: gels at room temperature were mostly spent by day 10, most of
# the refrigerated ones lasted past day 50. They held no food.
WARM_DAYS, COLD_DAYS = 10, 50
PLAIN = "Rathbun et al., J Med Ultrasound 2022;30:130, for gel without food"
# Food: 3 to 4 days cold is what household rules for leftovers say (from memory); warm it is for the day.
FOOD_WARM_DAYS, FOOD_COLD_DAYS = 1, 4
FOOD = "with food in it: household rules for leftovers, from memory; plain gel lasts longer"


def lasting_of(plan: Plan) -> Lasting:
    """Days warm and cold; what spoils first decides."""
    if any(target.material.spoils for target in plan.targets):
        return Lasting(FOOD_WARM_DAYS, FOOD_COLD_DAYS, FOOD)
    return Lasting(WARM_DAYS, COLD_DAYS, PLAIN)
