#include "show/droptest.hpp"

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

/// "2", "2 and 3", "2, 3 and 4"
std::string names(const std::vector<int>& cylinders) {
  std::string out;
  for (std::size_t i = 0; i < cylinders.size(); ++i) {
    out += fmt::format("{}{}",
                       i == 0                      ? ""
                       : i + 1 == cylinders.size() ? " and "
                                                   : ", ",
                       cylinders[i]);
  }
  return out;
}

/// The cylinders that nobody unplugged, by number.
std::vector<int> untested(const DropTest& test) {
  std::vector<int> out;
  for (const DropReason& r : test.reasons) {
    if (r.code == DropReasonCode::not_tested) out.push_back(r.cylinder);
  }
  std::sort(out.begin(), out.end());
  return out;
}

/// Some cylinders were unplugged, others not, and so there is no answer yet.
bool half_done(const DropTest& test) {
  return !test.dead && !test.cylinders.empty() && !untested(test).empty();
}

/// A cylinder is named whose unplugging cost speed, though less than that of the others.
bool gives_something(const DropTest& test) {
  constexpr double something = 0.25;  // of what the others give
  return std::any_of(test.cylinders.begin(), test.cylinders.end(), [&](const CylinderDrop& c) {
    const bool named =
        std::find(test.dead->begin(), test.dead->end(), c.cylinder) != test.dead->end();
    return named && c.contribution.value_or(0.0) >= something;
  });
}

std::string headline(const DropTest& test) {
  if (!test.dead) {
    const std::vector<int> left = untested(test);
    if (!half_done(test)) return "No answer: no cylinder stands out clearly";
    return fmt::format("No answer yet: cylinder{} {} {} not unplugged", left.size() == 1 ? "" : "s",
                       names(left), left.size() == 1 ? "was" : "were");
  }
  if (test.dead->empty()) return "No cylinder is dead: each one's unplugging is heard";
  const bool one = test.dead->size() == 1;
  const std::string who =
      fmt::format("Cylinder{} {} {}", one ? "" : "s", names(*test.dead), one ? "is" : "are");
  if (gives_something(test)) {
    return fmt::format("{} dead or nearly so: unplugging {} changes little", who,
                       one ? "it" : "them");
  }
  return fmt::format("{} dead: unplugging {} changes nothing", who, one ? "it" : "them");
}

std::string sentence(const DropReason& r) {
  switch (r.code) {
    case DropReasonCode::baseline_unheard:
      return "no running engine could be followed in the baseline";
    case DropReasonCode::stretch_unheard:
      return fmt::format("no running engine could be followed while cylinder {} was unplugged",
                         r.cylinder);
    case DropReasonCode::nothing_stands_out:
      // With cylinders left out the likeliest answer may well be sure: that none of those tried is
      // dead.
      return r.value >= 0.7
                 ? "too few cylinders were unplugged and heard to name one"
                 : fmt::format("the likeliest answer is only {:.0f} % sure", 100.0 * r.value);
    case DropReasonCode::speeds_differ:
      return fmt::format(
          "with cylinder {} unplugged it ran at {:.0f} rpm, far from the {:.0f} of the baseline: "
          "that proves nothing",
          r.cylinder, r.value, r.value2);
    case DropReasonCode::changes_nothing:
      return fmt::format(
          "unplugging cylinder {} changed the speed by {:+.0f} rpm and left the beat as it was; "
          "the others drop it by about {:.0f}",
          r.cylinder, -r.value, r.value2);
    case DropReasonCode::all_contribute:
      return fmt::format("every unplugging changed speed or beat (least drop {:.0f} rpm)", r.value);
    case DropReasonCode::contributes_little:
      return fmt::format("cylinder {} gives only {:.0f} % of what the others give: weak",
                         r.cylinder, 100.0 * r.value);
    case DropReasonCode::speed_held:
      return fmt::format(
          "the idle control holds the speed (usual drop {:.0f} rpm): the beat decides", r.value);
    case DropReasonCode::not_tested:
      return fmt::format("cylinder {} was not unplugged", r.cylinder);
    case DropReasonCode::unplugged_again:
      return fmt::format(
          "cylinder {} was unplugged {} times, which is judged as one: make sure that none of them "
          "was another cylinder",
          r.cylinder, r.value == 2.0 ? "two" : fmt::format("{:.0f}", r.value));
    case DropReasonCode::plugged_back_differs:
      return fmt::format(
          "with everything plugged in the speed was between {:.0f} and {:.0f} rpm: let it settle "
          "longer, and make sure that none was left unplugged",
          r.value, r.value2);
  }
  return std::string{to_string(r.code)};
}

std::string next_step(const DropTest& test) {
  if (half_done(test)) {
    const std::vector<int> left = untested(test);
    return fmt::format(
        "Unplug cylinder{} {} too, one at a time, at the same place and speed. Leave 10 s of sound "
        "with each unplugged, no longer.",
        left.size() == 1 ? "" : "s", names(left));
  }
  if (!test.dead) {
    return "Record again, 10 s for each cylinder and the baseline, same place, warm idle, "
           "electrical loads and fan off.";
  }
  if (test.dead->empty()) return "Look for what all cylinders share, or record while it misses.";
  return fmt::format(
      "Test {}: spark (a diesel has none), injector, compression last. Engine off, swap {} coil or "
      "plug with a neighbour's: "
      "does the fault move?",
      test.dead->size() == 1 ? "that cylinder" : "those cylinders",
      test.dead->size() == 1 ? "its" : "their");
}

std::string_view colour(bool answered, bool dead) {
  if (!answered) return "\x1b[1;33m";
  return dead ? "\x1b[1;31m" : "\x1b[1;32m";
}

}  // namespace

std::string_view unplugging_caution() {
  return "Caution first: where the maker allows it unplug injectors rather than plug leads; never "
         "hold a lead, ground what "
         "you open; never open a fuel line, a diesel's sprays through skin; hold each one for "
         "seconds only, unburnt fuel "
         "overheats the catalyst; keep clear of belts, fan and hot parts; outdoors, parking brake "
         "on, wheels chocked. The "
         "vehicle maker's procedure and local codes come first; if in doubt leave it to a licensed "
         "workshop.";
}

std::string sentence(const AssumedOrder& assumed) {
  return fmt::format("firing order taken as {}, {}; give --order if this engine has another",
                     assumed.order, assumed.source);
}

std::string to_json(const DropTest& test, const std::optional<AssumedOrder>& assumed) {
  Json json;
  json["schema"] = "pipebeat.droptest/1";
  json["dead_cylinders"] = test.dead ? Json(*test.dead) : Json(nullptr);
  json["confidence"] = number(test.confidence, 4);
  json["cylinders"] = Json::array();
  for (const CylinderDrop& c : test.cylinders) {
    json["cylinders"].push_back({{"cylinder", c.cylinder},
                                 {"rpm_drop", number(c.rpm_drop, 1)},
                                 {"rpm_drop_interval", interval(c.rpm_drop_interval, 1)},
                                 {"missing_event_ratio", number(c.missing_event_ratio, 4)},
                                 {"contribution", number(c.contribution, 3)},
                                 {"dead_probability", number(c.dead_probability, 4)}});
  }
  json["reasons"] = Json::array();
  for (const DropReason& r : test.reasons) {
    const bool why_not = !test.dead && json["reasons"].empty();
    json["reasons"].push_back((why_not ? std::string{to_string(r.code)} + ": " : "") + sentence(r));
  }
  if (assumed) json["reasons"].push_back(sentence(*assumed));
  return dump(json);
}

std::string to_text(const DropTest& test, const TextOptions& options,
                    const std::optional<AssumedOrder>& assumed) {
  std::string out = wrapped("", unplugging_caution(), options.columns) + '\n';
  std::string answer = headline(test);
  if (test.confidence) answer += fmt::format(" ({} sure)", certainty(*test.confidence));
  answer = wrapped("", answer + '.', options.columns);
  if (options.colour) {
    answer = fmt::format("{}{}\x1b[0m",
                         colour(test.dead.has_value(), test.dead && !test.dead->empty()), answer);
  }
  out += answer;
  if (!test.cylinders.empty()) {
    out += '\n' + wrapped("  ",
                          "What each cylinder gives (half a bar: as much as the others), rpm lost:",
                          options.columns);
  }
  constexpr int widest_figures = 34;
  const int bar_width = std::clamp(room_in_row(options.columns, widest_figures), 6, 30);
  for (const CylinderDrop& c : test.cylinders) {
    std::string figures;
    if (c.rpm_drop && c.rpm_drop_interval) {
      figures = fmt::format("  {:5.0f} ({:.0f} to {:.0f})", *c.rpm_drop, c.rpm_drop_interval->low,
                            c.rpm_drop_interval->high);
    }
    if (c.missing_event_ratio)
      figures += fmt::format("  {} missing", percent(*c.missing_event_ratio));
    out += wrapped(
        row_label(c.cylinder, options.columns) + bar(c.contribution.value_or(0.0), bar_width),
        figures, options.columns);
  }
  if (!test.reasons.empty() || assumed) out += "\n  Why\n";
  for (const DropReason& r : test.reasons) {
    if (half_done(test) && r.code == DropReasonCode::not_tested)
      continue;  // the first line said it
    out += wrapped("    - ", capitalised(sentence(r)) + ".", options.columns);
  }
  if (assumed) out += wrapped("    - ", capitalised(sentence(*assumed)) + ".", options.columns);
  out += "\n  Next\n" + wrapped("    - ", next_step(test), options.columns);
  return out + '\n' + wrapped("  ", workshop_caution(), options.columns);
}

}  // namespace pipebeat::show
