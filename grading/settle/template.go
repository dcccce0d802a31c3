package settle

// Template is a contract to fill in. Its figures are invented and are no one's
// terms; it can be used as it stands.
const Template = `# Terms that turn figures into money. All figures here are INVENTED: put your
# contract's in their place. Use it with: traytally settle SAMPLE --contract FILE --mass 24.98t
schema: 1
title: Demo contract (invented)
edition: "2026-11-01, No. 1"

base:
  grade: long grain white rice, 5 % broken
  # standard: us-long      # where the contract takes its definitions from one:
  # standard_grade: "2"    # see 'traytally standards list'
  price: 468.00
  per: t                   # kg, quintal (100 kg) or t; the mass is in it too
  currency: USD
  clause: "2"

# A line's money is rounded, and lines are added up. half_up or half_even.
rounding: {mass_digits: 3, amount_digits: 2, mode: half_up}

# Paid is mass x (100 - moisture) / (100 - basis). Without this part the mass is
# paid as weighed.
mass:
  clause: "3"
  basis: 14.0
  when: above              # above: only where it is wetter. always: either way
  digits: 2                # decimals to which moisture is rounded first
  # shrink_percent_per_point: 1.3   # instead of the dry matter
  # handling_percent: 0.5           # comes off what is left

# Percent are of the base price, money is per t (see per). A point is one unit
# of the figure, or what point: says. A graded sample gives broken, head,
# large_broken, medium_broken, small_broken, chip, chalky, yellow, red,
# red_streaked, damaged, paddy and foreign in percent by mass; the sample sheet
# moisture, foreign_matter, foreign_organic, foreign_inorganic, paddy_per_kg and
# what stands under by_hand. Any other code is typed: --figure CODE=FIGURE.
terms:
  - factor: broken
    name: broken kernels
    clause: "4.1"
    digits: 2
    base: 5.0              # the figure for which the price is
    free: 0.5              # tolerance: nothing changes up to 5.5
    beyond_free: from_base # what lies beyond counts from_base or from_free
    fractions: proportional # or started: a part counts whole; complete: not at all
    discount:
      - {to: 7.0, percent_per_point: 1.0}
      - {percent_per_point: 2.0}    # and on from there
    premium:
      - {to: 3.0, percent_per_point: 0.5}
    reject: 15.0           # beyond it the buyer need not take the lot
  - factor: chalky
    name: chalky kernels
    clause: "4.2"
    digits: 1
    base: 6.0
    steps:                 # the step in which the figure lies holds for all
      - {to: 8.0, percent: 0.5}
      - {percent: 1.5}
  - factor: foreign_matter # from the sample sheet: no picture weighs it
    name: foreign matter
    clause: "4.3"
    digits: 2
    base: 0.10
    point: 0.1
    fractions: started
    discount: [{money_per_point: 1.00}]
    cap_percent: 2.0
  - factor: paddy_per_kg
    name: paddy
    unit: per kg
    clause: "4.4"
    digits: 0
    base: 10
    fractions: proportional
    discount: [{money_per_point: 0.20}]
    cap_percent: 1.0

cap_percent: 8.0           # the most that all terms together take off
cap_clause: "4.5"
`
