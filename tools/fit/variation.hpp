// What the fit takes of a recording in its place, to learn from more than there are recordings:
// variations and parts.
#pragma once

#include <cstddef>
#include <cstdint>
#include <nlohmann/json.hpp>
#include <vector>

/// Played faster or slower, through other filters, in more noise.
struct Variation {
  double faster = 1.0;
  double tilt_hz = 0.0;  ///< sound above it is stronger by `tilt`
  double tilt = 1.0;
  double low_cut_hz = 0.0;
  int low_cuts = 0;    ///< one after the other; 0: none
  double noise = 0.0;  ///< against the sound, rms
  double hiss = 0.0;   ///< share of the noise that is white, the rest lies below 200 Hz
  std::uint64_t seed = 0;
};
/// So much of it only.
struct Part {
  double begin_s, end_s;
};

/// Drawn from a seed, the same on every machine.
Variation variation_of(std::uint64_t seed);
/// The sound of a recording varied, in place. `rate_hz`: of the faster or slower one.
void vary(std::vector<float>& sound, double rate_hz, const Variation& variation);

/// So many seconds from anywhere in the recording of that number, the same whenever it is asked.
Part part_of(const nlohmann::json& label, double seconds, std::size_t number);

/// The label of the variation, or of the part: a part is even where no miss fell into it.
nlohmann::json label_of(nlohmann::json label, const Variation& variation);
nlohmann::json label_of(nlohmann::json label, const Part& part);
