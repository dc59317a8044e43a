// Small statistics shared by the listening and the comparing.
#pragma once

#include <algorithm>
#include <span>
#include <vector>

#include "pipebeat/finding.hpp"

namespace pipebeat::core {

/// Wilson score interval, 95 %, for `hits` in `trials` (E. B. Wilson, JASA 22, 1927, 209-212).
/// Zero trials give the whole range. With zero hits the upper end is close to 3.8/n: the one-sided
/// rule of three, 3/n, is its one-sided sibling.
Interval wilson(double hits, double trials);

/// log of the sum of exponentials.
double log_sum_exp(std::span<const double> x);

/// The upper of the two middle values where their number is even; 0 of none.
template <class T = double>
T median(std::vector<T> values) {
  if (values.empty()) return T{};
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

}  // namespace pipebeat::core
