// How a probability is told, in every answer alike.
#pragma once

#include <cmath>
#include <string>

namespace pipebeat {

/// A probability (0 to 1) in whole per cent, never rounded to certainty: "97 %", "over 99 %",
/// "under 1 %".
[[nodiscard]] inline std::string certainty(double probability) {
  if (probability >= 0.995) return "over 99 %";
  if (probability < 0.005) return "under 1 %";
  return std::to_string(static_cast<int>(std::nearbyint(100.0 * probability))) + " %";
}

}  // namespace pipebeat
