#include "cli/marks.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <charconv>
#include <cmath>
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

Result<std::vector<Mark>> marks_of_cues(const std::string& path, const Engine& engine) {
  const auto cues = audio::cue_points(path);
  if (!cues) return tl::unexpected(cues.error());
  if (cues->empty()) {
    return fail(ErrorCode::bad_argument, path + ": it has no cue points, and --marks does not say what "
                                                "was unplugged when",
                "give --marks 10:1,20:on,30:3 (seconds:cylinder, or on)");
  }
  std::vector<Mark> marks;
  for (const audio::CuePoint& cue : *cues) {
    if (cue.name == "mark") continue;  // a moment to remember, nothing was unplugged
    std::string_view name = cue.name;
    while (!name.empty() && (std::isdigit(static_cast<unsigned char>(name.front())) == 0) && name != "on") {
      name.remove_prefix(1);
    }
    const auto cylinder = name == "on" ? std::optional<int>{0} : cylinder_of(name, engine);
    if (!cylinder) {
      return fail(ErrorCode::bad_argument,
                  fmt::format("{}: the cue point at {:.1f} s is named \"{}\", which is neither a cylinder "
                              "nor \"on\"",
                              path, cue.at.value(), cue.name),
                  "rename it in an editor, or give --marks 10:1,20:on,30:3");
    }
    marks.push_back({cue.at, *cylinder});
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
