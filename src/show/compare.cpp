#include "show/compare.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <iterator>

#include "pipebeat/certainty.hpp"
#include "show/json_parts.hpp"
#include "show/paragraphs.hpp"
#include "show/words.hpp"

namespace pipebeat::show {

namespace {

std::string sentence(const CompareReason& r) {
  switch (r.code) {
    case CompareReasonCode::before_unheard:
      return "no running engine could be followed in the recording from before";
    case CompareReasonCode::after_unheard:
      return "no running engine could be followed in the recording from after";
    case CompareReasonCode::not_sure_enough:
      return fmt::format("the likeliest answer is only {:.0f} % sure", 100.0 * r.value);
    case CompareReasonCode::misses_alone:
      return "it would be \"fixed\", but the recording from after, heard by itself, may have a "
             "dead cylinder";
    case CompareReasonCode::same_recording:
      return "before and after are one recording, or a copy or a cut of it: what a repair changed "
             "can't be heard in it";
    case CompareReasonCode::miss_gone:
      return "the gaps heard before are not there after, and the beat has changed accordingly";
    case CompareReasonCode::no_miss_in_either: return "neither recording misses";
    case CompareReasonCode::weak_after:
      return fmt::format("heard by itself, the recording from after has a weak cylinder ({} sure)",
                         certainty(r.value));
    case CompareReasonCode::miss_remains: return "both recordings miss";
    case CompareReasonCode::miss_appeared:
      return "the recording from after misses, the one before doesn't";
    case CompareReasonCode::other_speed:
      return fmt::format(
          "the speeds differ: {:.0f} rpm before, {:.0f} after; a miss may come and go with the "
          "speed",
          r.value, r.value2);
    case CompareReasonCode::other_sound:
      return fmt::format(
          "the two sound different as a whole (by {:.0f} dB from line to line): another "
          "microphone, another place, or another engine",
          r.value);
    case CompareReasonCode::short_before:
      return fmt::format("only {:.1f} s of the recording from before could be used", r.value);
    case CompareReasonCode::short_after:
      return fmt::format(
          "only {:.1f} s of the recording from after could be used: a rare miss could hide",
          r.value);
    case CompareReasonCode::noisy_before:
      return fmt::format("the recording from before is noisy (beat {:.0f} dB over the noise)",
                         r.value);
    case CompareReasonCode::noisy_after:
      return fmt::format("the recording from after is noisy (beat {:.0f} dB over the noise)",
                         r.value);
  }
  return std::string{to_string(r.code)};
}

/// No miss is left, but no full cylinder either.
bool still_weak(const Comparison& c) {
  return std::any_of(c.reasons.begin(), c.reasons.end(), [](const CompareReason& r) {
    return r.code == CompareReasonCode::weak_after;
  });
}

std::string_view colour_of(const Comparison& c) {
  if (c.change == Change::cannot_compare || is_one_recording(c)) return "\x1b[1;33m";
  if (still_weak(c)) return "\x1b[1;33m";
  return c.miss_after ? "\x1b[1;31m" : "\x1b[1;32m";
}

void add_side(std::string& out, std::string_view name, const std::vector<Report>& side,
              int columns) {
  for (const Report& r : side) {
    std::string text = fmt::format("{}: {:.1f} s", source(r), r.finding.duration.value());
    if (r.finding.speed) {
      fmt::format_to(std::back_inserter(text), " at {:.0f} rpm ({:.0f} to {:.0f})",
                     r.finding.speed->mean.value(), r.finding.speed->min.value(),
                     r.finding.speed->max.value());
    }
    if (r.finding.missing_event_ratio) {
      fmt::format_to(std::back_inserter(text), ", {} missing",
                     percent(*r.finding.missing_event_ratio));
    }
    out += wrapped(fmt::format("  {:<7} ", name), text, columns);
    name = "";
  }
}

}  // namespace

std::string headline(const Comparison& c) {
  if (is_one_recording(c))
    return "The same recording before and after: it says nothing of a repair";
  switch (c.change) {
    case Change::fixed:
      return still_weak(c) ? "It does not miss any more, but one cylinder is weak"
                           : "Fixed: it missed before and does not miss any more";
    case Change::improved: return "Better, but not fixed: it still misses, less than before";
    case Change::unchanged:
      return c.miss_after ? "Unchanged: it misses as before" : "No miss, neither before nor after";
    case Change::worse: return "Worse: it misses more than before";
    case Change::cannot_compare: return "No answer: these recordings cannot be compared";
  }
  return "No answer";
}

std::vector<Figure> figures(const Comparison& c) {
  std::vector<Figure> out;
  if (c.confidence) out.push_back({"Sure", certainty(*c.confidence)});
  if (c.ratio_change && c.ratio_change_interval) {
    out.push_back(
        {"Missing", fmt::format("changed by {:+.1f} points (95 %: {:+.1f} to {:+.1f})",
                                100.0 * *c.ratio_change, 100.0 * c.ratio_change_interval->low,
                                100.0 * c.ratio_change_interval->high)});
  }
  if (c.gone_probability) {
    const bool gone = *c.gone_probability >= 0.5;
    std::string text =
        fmt::format("{} sure", certainty(gone ? *c.gone_probability : 1.0 - *c.gone_probability));
    if (c.could_hide && !c.miss_after) {
      text += fmt::format("; one rarer than {} of the pulses could hide", percent(*c.could_hide));
    }
    out.push_back({gone ? "No miss now" : "Misses now", std::move(text)});
  }
  return out;
}

std::vector<std::string> next_steps(const Comparison& c, Place place) {
  if (is_one_recording(c)) {
    return {place == Place::page
                ? "Mark two recordings: one made before the repair, one made after it."
                : "Give two recordings: one made before the repair, one made after it."};
  }
  if (still_weak(c)) {
    return {"Find the weak cylinder: compare their compression, injector flow and valve clearance.",
            "Then record once more, and compare again."};
  }
  switch (c.change) {
    case Change::fixed:
      return {
          "Drive it warm and cold, wet and under load, then record once more: a miss that comes "
          "and goes may only be resting."};
    case Change::improved:
    case Change::worse:
    case Change::unchanged:
      if (c.miss_after) {
        std::vector<std::string> steps;
        if (c.change == Change::worse) {
          steps.emplace_back(place == Place::page
                                 ? "Make sure that the two are not marked the wrong way round."
                                 : "Make sure that the two were not named the wrong way round: "
                                   "before comes first, then after.");
        }
        steps.emplace_back(place == Place::page
                               ? "Find the cylinder: take them out of action one at a time; the "
                                 "one that changes nothing is the dead one. Then test it: spark (a "
                                 "diesel has none), injector, compression last."
                               : "Find the cylinder with `pipebeat droptest`, then test it: spark "
                                 "(a diesel has none), injector, compression last.");
        return steps;
      }
      return {
          "If you felt a miss, record while it happens: under load, in the wet, cold or at a "
          "raised speed."};
    case Change::cannot_compare: break;
  }
  return {
      "Record both again alike: same pipe, same place, same microphone, same speed (warm idle), 15 "
      "to 30 s, noise suppression and automatic gain off."};
}

std::string to_json(const CompareReport& report) {
  const Comparison& c = report.comparison;
  Json json;
  json["schema"] = "pipebeat.compare/1";
  json["answer"] = to_string(c.change);
  json["confidence"] = number(c.confidence, 4);
  json["gone_probability"] = number(c.gone_probability, 4);
  json["ratio_change"] = number(c.ratio_change, 4);
  json["ratio_change_interval"] = interval(c.ratio_change_interval, 4);
  json["could_hide"] = number(c.could_hide, 4);
  json["positions"] = Json::array();
  for (const PositionChange& p : c.positions) {
    json["positions"].push_back({{"position", p.position},
                                 {"level_before", number(p.level_before, 3)},
                                 {"level_after", number(p.level_after, 3)}});
  }
  json["before"] = check_object(report.before.front());
  json["after"] = check_object(report.after.front());
  json["reasons"] = Json::array();
  for (const CompareReason& r : c.reasons) {
    const bool why_not = json["reasons"].empty() && (c.change == Change::cannot_compare ||
                                                     r.code == CompareReasonCode::same_recording);
    json["reasons"].push_back((why_not ? std::string{to_string(r.code)} + ": " : "") + sentence(r));
  }
  return dump(json);
}

std::string to_text(const CompareReport& report, const TextOptions& options) {
  const Comparison& c = report.comparison;
  std::string out = wrapped("", headline(c) + '.', options.columns);
  if (options.colour) out = fmt::format("{}{}\x1b[0m", colour_of(c), out);
  add_side(out, "before", report.before, options.columns);
  add_side(out, "after", report.after, options.columns);
  const std::vector<Figure> numbers = figures(c);
  if (!numbers.empty()) out += '\n';
  const auto to = std::back_inserter(out);
  for (const Figure& figure : numbers) {
    out += wrapped(fmt::format("  {:<13}", figure.name), figure.text, options.columns);
  }
  if (!c.positions.empty()) {
    constexpr int figures = 15;
    const int bar_width = std::clamp(room_in_row(options.columns, figures) / 2, 6, 24);
    out +=
        '\n' + wrapped("  ",
                       "Pulse strength by position, before and after, aligned as well as possible:",
                       options.columns);
    for (const PositionChange& p : c.positions) {
      fmt::format_to(to, "{}{} {:5.2f}   {} {:5.2f}\n", row_label(p.position, options.columns),
                     bar(p.level_before, bar_width), p.level_before, bar(p.level_after, bar_width),
                     p.level_after);
    }
  }
  if (!c.reasons.empty()) out += "\n  Why\n";
  for (const CompareReason& r : c.reasons)
    out += wrapped("    - ", capitalised(sentence(r)) + ".", options.columns);
  out += '\n';
  if (c.miss_after) out += wrapped("  ", workshop_caution(), options.columns);
  out += wrapped("  ", recording_caution(), options.columns);
  out += "\n  Next\n";
  for (const std::string& step : next_steps(c)) out += wrapped("    - ", step, options.columns);
  return out;
}

}  // namespace pipebeat::show
