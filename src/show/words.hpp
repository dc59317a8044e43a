// The finding in plain English, piece by piece: what text, pages and JSON say in words.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "pipebeat/finding.hpp"
#include "show/report.hpp"

namespace pipebeat::show {

/// True for the codes that explain `unclear`.
[[nodiscard]] bool explains_unclear(ReasonCode code);

/// One reason as a sentence without its full stop: "position 3 carries no pulse (level 0.04)".
[[nodiscard]] std::string sentence(const Reason& reason);

/// The verdict in one sentence: "One cylinder is dead: ...".
[[nodiscard]] std::string headline(const Report& report);

/// The verdict in a few words, for lists and tables: "a cylinder is dead".
[[nodiscard]] std::string_view in_words(Verdict verdict);
/// The same of a verdict's name in JSON; what is no verdict stays as it is.
[[nodiscard]] std::string in_words(const std::string& verdict);

/// One line of a finding's figures.
struct Figure {
  std::string name;  ///< "Missing"
  std::string text;  ///< "25.0 % (95 %: 23.6 to 26.1 %), 69 of 276 pulses"
};

/// What was heard, as people call it: the recording's name, on one line, or "standard input".
[[nodiscard]] std::string source(const Report& report);

/// The figures that the finding gives: how sure, how many missing, in the long run, speed.
[[nodiscard]] std::vector<Figure> figures(const Report& report);

/// Where advice is read: what one can do next differs.
enum class Place {
  terminal,  ///< commands and options
  page,      ///< buttons and fields
};

/// What to do next, most useful first; never empty.
[[nodiscard]] std::vector<std::string> next_steps(const Report& report, Place place = Place::terminal);

/// The caution that goes with every advice to record.
[[nodiscard]] std::string_view recording_caution();

/// The caution that goes with every advice to work on the engine.
[[nodiscard]] std::string_view workshop_caution();

/// A file's or folder's name as it is typed into a shell: quoted where it has blanks or signs, never an option.
[[nodiscard]] std::string as_argument(std::string_view name);

/// A text on one line: control characters, a line feed in a file name among them, become "?".
[[nodiscard]] std::string one_line(std::string_view text);

}  // namespace pipebeat::show
