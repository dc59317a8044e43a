// Plain text building: paragraphs and bars.
#pragma once

#include <string>
#include <string_view>

#include "pipebeat/finding.hpp"

namespace pipebeat::show {

/// Breaks a paragraph into lines of at most 78 columns; the first starts with `first`, the others
/// with blanks as wide. Ends with a line feed.
std::string wrapped(std::string_view first, std::string_view text);

/// First letter in capitals.
std::string capitalised(std::string text);

/// As many characters as `width`; 1 is half the bar, so that pulses up to twice the mean can be told apart.
std::string bar(double level, int width = 30);

/// A share in per cent: enough digits to tell it from zero.
std::string percent(double share);
/// The same for a range: "20.3 to 30.4 %".
std::string percent(const Interval& share);

/// A probability in per cent, never rounded to certainty: "97 %", "over 99 %", "under 1 %".
std::string probability(double p);

}  // namespace pipebeat::show
