// Plain text building: paragraphs and bars.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "pipebeat/finding.hpp"

namespace pipebeat::show {

/// As a terminal opens. What goes into a file or a pipe is as wide, whoever asks for it and where.
inline constexpr int usual_columns = 80;

/// Columns that a UTF-8 text takes; every character of ours is one wide.
[[nodiscard]] std::size_t width(std::string_view text);

/// Breaks a text between words into rows, at least one: of `first` columns the first, the others of
/// `others`. A word that is longer keeps a row for itself.
[[nodiscard]] std::vector<std::string> folded(std::string_view text, std::size_t first,
                                              std::size_t others);

/// Breaks a paragraph into lines that end before the last two of the `columns`; the first starts
/// with `first`, the others with blanks as wide, or with a few where it is wide itself. Ends with a
/// line feed.
[[nodiscard]] std::string wrapped(std::string_view first, std::string_view text,
                                  int columns = usual_columns);

/// First letter in capitals.
std::string capitalised(std::string text);

/// As many characters as `width`; 1 is half the bar, so that pulses up to twice the mean can be
/// told apart.
std::string bar(double level, int width);

/// How a row of a chart begins: with the number of a position or cylinder.
[[nodiscard]] std::string row_label(int number, int columns);

/// What such a row leaves to the right of its label and of `beside` columns of figures.
[[nodiscard]] int room_in_row(int columns, int beside);

/// A share in per cent: enough digits to tell it from zero.
std::string percent(double share);
/// The same for a range: "20.3 to 30.4 %".
std::string percent(const Interval& share);

}  // namespace pipebeat::show
