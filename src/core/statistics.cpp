#include "core/statistics.hpp"

#include <algorithm>
#include <cmath>

namespace pipebeat::core {

Interval wilson(double hits, double trials) {
  if (trials <= 0.0) return {0.0, 1.0};
  constexpr double z = 1.959963984540054;
  const double p = hits / trials;
  const double z2 = z * z / trials;
  const double centre = (p + z2 / 2.0) / (1.0 + z2);
  const double half = z * std::sqrt(p * (1.0 - p) / trials + z2 / (4.0 * trials)) / (1.0 + z2);
  return {std::max(0.0, hits > 0.0 ? centre - half : 0.0), std::min(1.0, hits < trials ? centre + half : 1.0)};
}

double log_sum_exp(std::span<const double> x) {
  const double top = *std::max_element(x.begin(), x.end());
  double sum = 0.0;
  for (double v : x) sum += std::exp(v - top);
  return top + std::log(sum);
}

}  // namespace pipebeat::core
