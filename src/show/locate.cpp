#include <fmt/format.h>

#include <algorithm>
#include <iterator>

#include "pipebeat/certainty.hpp"
#include "show/droptest.hpp"
#include "show/json_parts.hpp"
#include "show/paragraphs.hpp"
#include "show/words.hpp"

namespace pipebeat::show {

namespace {

/// The answer is that an unplugging changed nothing, which a lead that was not really off does too.
bool rests_on_the_unplugging(const Location& location) {
  return std::any_of(location.reasons.begin(), location.reasons.end(), [](const LocateReason& r) {
    return r.code == LocateReasonCode::same_cylinder;
  });
}

std::string headline(const Location& location, const std::optional<AssumedOrder>& assumed) {
  if (location.answered && location.candidates.empty())
    return "No cylinder was missing before the unplugging";
  if (location.answered) {
    std::string out = fmt::format("It is cylinder {}", location.candidates.front().cylinder);
    if (rests_on_the_unplugging(location))
      return out + ", if it was really out of action at the mark";
    if (assumed) out += fmt::format(", if the engine fires {}", assumed->order);
    return out;
  }
  if (location.candidates.empty()) return "No answer";
  std::string list;
  for (const Candidate& c : location.candidates) {
    list += fmt::format("{}{}", list.empty() ? "" : " or ", c.cylinder);
  }
  return "Not settled: cylinder " + list;
}

std::string sentence(const LocateReason& r) {
  switch (r.code) {
    case LocateReasonCode::no_engine:
      return fmt::format("no running engine could be followed in recording {:.0f}", r.value);
    case LocateReasonCode::stretch_too_short:
      return r.cylinder == 0
                 ? fmt::format("recording {:.0f} has too little sound with everything plugged in",
                               r.value)
                 : fmt::format("recording {:.0f} has too little sound with cylinder {} unplugged",
                               r.value, r.cylinder);
    case LocateReasonCode::cylinder_unheard:
      return fmt::format(
          "the exhaust of cylinder {} does not reach this pipe: unplug one that does", r.cylinder);
    case LocateReasonCode::unnamed_change:
      return fmt::format(
          "in recording {:.0f} the sound changes at {:.1f} s as if one more cylinder came or went, "
          "and no mark says so: name every unplugging, or cut the recording before it",
          r.value, r.value2);
    case LocateReasonCode::nothing_changed:
      return fmt::format("no cylinder misses before or after the mark: was {} unplugged at all?",
                         r.cylinder);
    case LocateReasonCode::speed_jumped:
      return fmt::format(
          "the speed found goes from {:.0f} to {:.0f} rpm at a mark: one of them is wrong, or the "
          "throttle was moved; give --rpm",
          r.value, r.value2);
    case LocateReasonCode::trigger_used:
      return fmt::format("the phase of recording {:.0f} comes from its trigger channel", r.value);
    case LocateReasonCode::trigger_every_turn:
      return fmt::format(
          "the trigger of recording {:.0f} comes every turn, twice a cycle (wasted spark): half a "
          "cycle was open between recordings, and tried both ways",
          r.value);
    case LocateReasonCode::evidence_thin:
      return fmt::format("the likeliest cylinder is only {:.0f} % sure", 100.0 * r.value);
    case LocateReasonCode::two_candidates:
      return fmt::format(
          "cylinders {} and {:.0f} both fit: the gaps lie as far apart either way round",
          r.cylinder, r.value);
    case LocateReasonCode::unplug_next:
      return fmt::format("unplugging cylinder {} next would settle it", r.cylinder);
    case LocateReasonCode::phase_lost:
      return fmt::format(
          "in recording {:.0f} the beat could not be followed through the change, so the two "
          "stretches only count as separate recordings",
          r.value);
    case LocateReasonCode::gap_distance:
      return fmt::format(
          "the gap of cylinder {} lies {:.0f} of {:.0f} firing positions after the old one",
          r.cylinder, r.value, r.value2);
    case LocateReasonCode::nothing_missing:
      return "no position is empty before the unplugging (one that misses less than half of its "
             "pulses would not show here)";
    case LocateReasonCode::same_cylinder:
      return fmt::format(
          "unplugging cylinder {} changed nothing: it was dead already, or not really off",
          r.cylinder);
    case LocateReasonCode::intermittent:
      return fmt::format("cylinder {} misses about {} of its pulses, not all", r.cylinder,
                         percent(r.value));
  }
  return std::string{to_string(r.code)};
}

}  // namespace

std::string to_json(const Location& location, const std::optional<AssumedOrder>& assumed) {
  Json json;
  json["schema"] = "pipebeat.locate/1";
  json["candidates"] = Json::array();
  for (const Candidate& c : location.candidates) {
    json["candidates"].push_back(
        {{"cylinder", c.cylinder}, {"probability", number(c.probability, 4)}});
  }
  json["phase_kept"] = location.phase_kept;
  json["reasons"] = Json::array();
  for (const LocateReason& r : location.reasons) {
    const bool why_not = !location.answered && json["reasons"].empty();
    json["reasons"].push_back((why_not ? std::string{to_string(r.code)} + ": " : "") + sentence(r));
  }
  if (assumed) {
    json["assumed_order"] = assumed->order;
    json["reasons"].push_back(sentence(*assumed));
  }
  return dump(json);
}

std::string to_text(const Location& location, const TextOptions& options,
                    const std::optional<AssumedOrder>& assumed) {
  std::string out = wrapped("", unplugging_caution(), options.columns) + '\n';
  std::string answer = headline(location, assumed);
  if (location.answered && !location.candidates.empty()) {
    answer += fmt::format(" ({} sure)", certainty(location.candidates.front().probability));
  }
  answer = wrapped("", answer + '.', options.columns);
  if (options.colour) {
    const char* colour = !location.answered            ? "\x1b[1;33m"
                         : location.candidates.empty() ? "\x1b[1;32m"
                                                       : "\x1b[1;31m";
    answer = fmt::format("{}{}\x1b[0m", colour, answer);
  }
  out += answer;
  if (location.candidates.size() > 1) {
    out += "\n  How likely each cylinder is:\n";
    for (const Candidate& c : location.candidates) {
      out += row_label(c.cylinder, options.columns) + certainty(c.probability) + '\n';
    }
  }
  if (!location.reasons.empty() || assumed) out += "\n  Why\n";
  for (const LocateReason& r : location.reasons) {
    const std::string text = capitalised(sentence(r));
    out += wrapped("    - ", text.ends_with('?') ? text : text + ".", options.columns);
  }
  if (assumed) out += wrapped("    - ", capitalised(sentence(*assumed)) + ".", options.columns);
  out += "\n  Next\n";
  if (!location.answered) {
    out += wrapped("    - ",
                   "Record one take of 20 s or more at warm idle and unplug one known-good "
                   "cylinder halfway, without moving the microphone.",
                   options.columns);
  } else if (location.candidates.empty()) {
    out += wrapped("    - ", "If it misses now and then, record while it does.", options.columns);
  } else {
    if (assumed) {
      out += wrapped("    - ",
                     "Look up the firing order (the maker's data; some engines have it cast on "
                     "them). If it is another, give it with --order: the answer changes.",
                     options.columns);
    }
    out += wrapped("    - ",
                   "Confirm with `pipebeat droptest`: unplugging that cylinder must change "
                   "nothing. Then test it: spark (a diesel has none), injector, compression last.",
                   options.columns);
  }
  return out + '\n' + wrapped("  ", workshop_caution(), options.columns);
}

}  // namespace pipebeat::show
