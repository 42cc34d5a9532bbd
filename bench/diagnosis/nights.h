// Rigs and nights, drawn.
#pragma once

#include "dice.h"
#include "starwaist/render.h"

namespace starwaist::bench::diagnosis {

// `obstructed`: never without an obstruction, for what only its shadow shows.
RenderOptions random_night(Dice& dice, bool obstructed);

}  // namespace starwaist::bench::diagnosis
