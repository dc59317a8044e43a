#include "cli/marks.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <fstream>
#include <optional>

#include "audio/cues.hpp"

namespace pipebeat::cli {

namespace {

template <class Number>
std::optional<Number> parsed(std::string_view text) {
  Number value{};
  const auto result = std::from_chars(text.data(), text.data() + text.size(), value);
  if (result.ec != std::errc{} || result.ptr != text.data() + text.size()) return std::nullopt;
  return value;
}

/// "70.5" or "1:10.5", not negative.
std::optional<double> time_in_seconds(std::string_view text) {
  const std::size_t colon = text.rfind(':');
  double minutes = 0.0;
  if (colon != std::string_view::npos) {
    const auto m = parsed<int>(text.substr(0, colon));
    if (!m || *m < 0) return std::nullopt;
    minutes = *m;
    text.remove_prefix(colon + 1);
  }
  const auto seconds = parsed<double>(text);
  if (!seconds || !std::isfinite(*seconds) || *seconds < 0.0) return std::nullopt;
  return 60.0 * minutes + *seconds;
}

/// A cylinder of this engine, or nothing.
std::optional<int> cylinder_of(std::string_view text, const Engine& engine) {
  const auto cylinder = parsed<int>(text);
  if (!cylinder || *cylinder < 1 || *cylinder > engine.cylinders()) return std::nullopt;
  return cylinder;
}

Error no_cylinder(std::string_view option, std::string_view text, const Engine& engine) {
  return {ErrorCode::bad_argument, fmt::format("{}: \"{}\" is no cylinder of this engine", option, text),
          fmt::format("number them 1 to {}", engine.cylinders())};
}

}  // namespace

Result<std::vector<Mark>> parse_marks(const std::string& text, const Engine& engine) {
  std::vector<Mark> marks;
  std::string_view rest = text;
  do {
    const std::size_t end = std::min(rest.find(','), rest.size());
    const std::string_view one = rest.substr(0, end);
    rest.remove_prefix(std::min(end + 1, rest.size()));
    const std::size_t colon = one.rfind(':');
    const auto at = time_in_seconds(one.substr(0, std::min(colon, one.size())));
    if (colon == std::string_view::npos || !at) {
      return fail(ErrorCode::bad_argument,
                  fmt::format("--marks: \"{}\" is no time with a cylinder or \"on\"", one),
                  "write it like --marks 10:1,20:on,30:3");
    }
    const std::string_view what = one.substr(colon + 1);
    int cylinder = 0;
    if (what != "on") {
      const auto named = cylinder_of(what, engine);
      if (!named) return tl::unexpected(no_cylinder("--marks", what, engine));
      cylinder = *named;
    }
    if (!marks.empty() && *at <= marks.back().at.value()) {
      return fail(ErrorCode::bad_argument, fmt::format("--marks: {:g} s does not come after {:g} s", *at,
                                                       marks.back().at.value()),
                  "give the marks in the order in which they happened");
    }
    marks.push_back({Seconds{*at}, cylinder});
  } while (!rest.empty());
  return marks;
}

namespace {

/// The last word of a name that says what was done: a cylinder or 0 for "on".
std::optional<int> what_was_done(std::string_view name, const Engine& engine) {
  std::optional<int> done;
  while (!name.empty()) {
    const std::size_t end = std::min(name.find(' '), name.size());
    std::string_view word = name.substr(0, end);
    name.remove_prefix(std::min(end + 1, name.size()));
    if (word == "on") done = 0;
    word.remove_prefix(std::min(word.find_first_of("0123456789"), word.size()));  // "off1"
    if (const auto cylinder = cylinder_of(word, engine)) done = cylinder;
  }
  return done;
}

/// What a take that was cut short left beside it: "SECONDS<tab>NAME" a line.
std::vector<audio::CuePoint> marks_beside(const std::string& path) {
  std::vector<audio::CuePoint> out;
  std::ifstream in{path + ".marks"};
  for (std::string line; std::getline(in, line);) {
    const std::size_t tab = line.find('\t');
    const auto at = time_in_seconds(std::string_view{line}.substr(0, std::min(tab, line.size())));
    if (tab != std::string::npos && at) out.push_back({Seconds{*at}, line.substr(tab + 1)});
  }
  return out;
}

}  // namespace

Result<std::vector<Mark>> marks_of_cues(const std::string& path, const Engine& engine) {
  auto cues = audio::cue_points(path);
  if (!cues) return tl::unexpected(cues.error());
  if (cues->empty()) *cues = marks_beside(path);
  if (cues->empty()) {
    return fail(ErrorCode::bad_argument, path + ": it has no cue points, and --marks does not say what "
                                                "was unplugged when",
                "give --marks 10:1,20:on,30:3 (seconds:cylinder, or on)");
  }
  std::vector<Mark> marks;
  for (const audio::CuePoint& cue : *cues) {
    if (cue.name == "mark") continue;  // a moment to remember, nothing was unplugged
    const auto unplugged = what_was_done(cue.name, engine);
    if (!unplugged) {
      return fail(ErrorCode::bad_argument,
                  fmt::format("{}: the cue point at {:.1f} s is named \"{}\", which is neither a cylinder "
                              "nor \"on\"",
                              path, cue.at.value(), cue.name),
                  "rename it in an editor, or give --marks 10:1,20:on,30:3");
    }
    if (cue.name.starts_with("still off") && !marks.empty() && marks.back().unplugged == 0) marks.pop_back();
    // What was said before is no change.
    if ((marks.empty() ? 0 : marks.back().unplugged) != *unplugged) marks.push_back({cue.at, *unplugged});
  }
  if (marks.empty()) {
    return fail(ErrorCode::bad_argument, path + ": none of its cue points says what was unplugged",
                "give --marks 10:1,20:on,30:3 (seconds:cylinder, or on)");
  }
  return marks;
}

Result<std::pair<int, std::string>> parse_off_file(const std::string& text, const Engine& engine,
                                                   const std::string& option) {
  const std::size_t sign = text.find('=');
  if (sign == std::string::npos || sign + 1 == text.size()) {
    return fail(ErrorCode::bad_argument, fmt::format("{}: \"{}\" is no CYLINDER=RECORDING", option, text),
                "write it like 3=off3.wav");
  }
  const auto cylinder = cylinder_of(std::string_view{text}.substr(0, sign), engine);
  if (!cylinder) return tl::unexpected(no_cylinder(option, text.substr(0, sign), engine));
  return std::pair{*cylinder, text.substr(sign + 1)};
}

Result<Mark> parse_off_at(const std::string& text, const Engine& engine) {
  const std::size_t sign = text.find('@');
  const auto at = sign == std::string::npos ? std::nullopt
                                            : time_in_seconds(std::string_view{text}.substr(sign + 1));
  if (!at) {
    return fail(ErrorCode::bad_argument, fmt::format("--off: \"{}\" is no CYLINDER@SECONDS", text),
                "write it like --off 1@10");
  }
  const auto cylinder = cylinder_of(std::string_view{text}.substr(0, sign), engine);
  if (!cylinder) return tl::unexpected(no_cylinder("--off", text.substr(0, sign), engine));
  return Mark{Seconds{*at}, *cylinder};
}

}  // namespace pipebeat::cli
