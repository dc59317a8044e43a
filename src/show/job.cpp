#include "show/job.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <iterator>
#include <nlohmann/json.hpp>
#include <set>

#include "pipebeat/certainty.hpp"
#include "show/json_parts.hpp"
#include "show/paragraphs.hpp"
#include "show/words.hpp"

namespace pipebeat::show {

namespace {

/// Causes less probable than this are summed up in one line.
constexpr double worth_a_line = 0.02;
constexpr std::size_t most_causes = 6;

constexpr std::string_view assumption =
    "The percentages hold if there is one fault; the table of likelihoods behind them is an "
    "estimate from common practice.";

/// True while no cylinder stands out: then a cause is one line, not one a cylinder.
bool cylinder_open(const Diagnosis& d) {
  double sum = 0.0;
  double most = 0.0;
  for (double p : d.cylinder_probability) {
    sum += p;
    most = std::max(most, p);
  }
  return most < 0.6 * sum;
}

std::string text_of(const Json& j, const char* key) {
  const auto it = j.is_object() ? j.find(key) : j.end();
  return it != j.end() && it->is_string() ? it->get<std::string>() : std::string{};
}

std::optional<double> number_of(const Json& j, const char* key) {
  const auto it = j.is_object() ? j.find(key) : j.end();
  return it != j.end() && it->is_number() ? std::optional{it->get<double>()} : std::nullopt;
}

std::string plain(std::string code) {
  std::replace(code.begin(), code.end(), '_', ' ');
  return code;
}

std::string verdict_in_words(const Json& finding) {
  std::string out = in_words(text_of(finding, "verdict"));
  if (const auto sure = number_of(finding, "confidence")) {
    out += fmt::format(" ({} sure)", certainty(*sure));
  }
  if (const auto ratio = number_of(finding, "missing_event_ratio")) {
    out += fmt::format(", {} of the pulses missing", percent(*ratio));
  }
  const auto rpm = finding.is_object() ? finding.find("rpm") : finding.end();
  if (rpm != finding.end()) {
    if (const auto mean = number_of(*rpm, "mean")) out += fmt::format(" at {:.0f} rpm", *mean);
  }
  return out;
}

std::string finding_in_words(const JobEntry& e) {
  const Json finding = Json::parse(e.finding, nullptr, false);
  std::string out = e.command + ": ";
  if (e.command == "compare") {
    out += plain(text_of(finding, "answer"));
    if (finding.is_object() && finding.contains("after")) {
      out += "; after: " + verdict_in_words(finding["after"]);
    }
  } else if (e.command == "droptest") {
    const auto dead = finding.is_object() ? finding.find("dead_cylinders") : finding.end();
    if (dead == finding.end() || !dead->is_array()) {
      out += "unclear";
    } else if (dead->empty()) {
      out += "every cylinder gives power";
    } else {
      std::vector<std::string> names;
      for (const Json& c : *dead) names.push_back(c.dump());
      out += fmt::format("dead: cylinder {}", fmt::join(names, ", "));
    }
  } else if (e.command == "locate") {
    std::vector<std::string> names;
    if (finding.is_object() && finding.contains("candidates") && finding["candidates"].is_array()) {
      for (const Json& c : finding["candidates"]) {
        const auto cylinder = number_of(c, "cylinder");
        const auto p = number_of(c, "probability");
        if (cylinder && p) names.push_back(fmt::format("{:.0f} ({})", *cylinder, certainty(*p)));
      }
    }
    out += names.empty() ? "unclear" : fmt::format("cylinder {}", fmt::join(names, " or "));
  } else if (e.command == "clicks") {
    std::vector<std::string> names;
    if (finding.is_object() && finding.contains("injectors") && finding["injectors"].is_array()) {
      for (const Json& i : finding["injectors"]) {
        const auto cylinder = number_of(i, "cylinder");
        if (cylinder) names.push_back(fmt::format("{:.0f} {}", *cylinder, text_of(i, "state")));
      }
    }
    out += fmt::format("injector {}", fmt::join(names, ", "));
  } else {
    out += verdict_in_words(finding);
  }
  if (!e.recordings.empty()) out += fmt::format(" ({})", fmt::join(e.recordings, ", "));
  return out;
}

/// "14.5 ohm", "12 kohm", "4 Mohm"
std::string value_in_words(double value, const std::string& unit) {
  if (unit == "ohm" && value >= 1e6) return fmt::format("{:.4g} Mohm", value / 1e6);
  if (unit == "ohm" && value >= 1e3) return fmt::format("{:.4g} kohm", value / 1e3);
  return fmt::format("{:.4g} {}", value, unit);
}

std::string reading_in_words(const Reading& r) {
  std::string out = r.cylinder != 0 ? fmt::format("cylinder {}: ", r.cylinder) : "";
  if (r.what == "swapped") {
    out += fmt::format("{} swapped with cylinder {}", r.word, r.swapped_with);
    if (r.followed == "yes") out += ", the miss followed it";
    if (r.followed == "no") out += ", the miss stayed";
    if (r.followed.empty()) out += " (did the miss follow? not said)";
    return out;
  }
  out += r.what == "code" ? "fault code" : r.what == "spark_kv" ? "widest spark" : plain(r.what);
  out += ' ' + (r.value ? value_in_words(*r.value, r.unit) : plain(r.word));
  // What was typed, where that was another unit.
  if (r.value && !r.given.empty() && r.given != fmt::format("{:.4g}{}", *r.value, r.unit)) {
    out += fmt::format(" (given as {})", r.given);
  }
  return out;
}

std::string causes_text(const Diagnosis& d, int columns) {
  std::string out;
  double rest = 0.0;
  std::size_t shown = 0;
  for (const RankedCause& c : causes_to_show(d)) {
    if (shown >= most_causes || (shown > 0 && c.probability < worth_a_line)) {
      rest += c.probability;
      continue;
    }
    ++shown;
    out += wrapped(fmt::format("  {:>6}  ", certainty(c.probability)),
                   capitalised(c.words) + place_in_words(c.cylinders), columns);
    if (shown > 3) continue;  // the account of the first three is what is read
    for (const std::string& e : c.evidence_for) out += wrapped("          + ", e, columns);
    for (const std::string& e : c.evidence_against) out += wrapped("          - ", e, columns);
  }
  if (rest > 0.0) out += fmt::format("  {:>6}  Everything else\n", certainty(rest));
  return out;
}

/// How much of what is still open a test is expected to settle: its bits against those of the
/// causes.
std::string settles(const TestAdvice& t, const Diagnosis& d) {
  double open = 0.0;
  for (const RankedCause& c : d.causes)
    open -= c.probability > 0.0 ? c.probability * std::log2(c.probability) : 0.0;
  return fmt::format("{:.0f} %", open > 0.0 ? 100.0 * std::min(t.bits / open, 1.0) : 0.0);
}

std::string cylinders_text(const Diagnosis& d, int columns) {
  double known = 0.0;
  std::string out;
  for (std::size_t i = 0; i < d.cylinder_probability.size(); ++i) {
    known += d.cylinder_probability[i];
    fmt::format_to(std::back_inserter(out), "{}{}: {:.0f} %", i == 0 ? "" : ", ", i + 1,
                   100.0 * d.cylinder_probability[i]);
  }
  if (cylinder_open(d)) out += " (not known yet)";
  constexpr double worth_asking = 0.2;  // below, the fault is elsewhere or mended
  return known >= worth_asking ? wrapped("  Cylinder at fault  ", out, columns) : "";
}

std::string test_text(const TestAdvice& t, const Diagnosis& d, const JobTextOptions& options) {
  std::string out =
      wrapped("",
              fmt::format("Next: {}{}.", t.words,
                          t.cylinder != 0 ? fmt::format(", cylinder {}", t.cylinder) : ""),
              options.columns);
  if (options.colour) out = "\x1b[1m" + out + "\x1b[0m";
  if (t.bits > 0.0) {
    out += wrapped("  ",
                   fmt::format("About {:g} min of work; it should settle {} of what is still open.",
                               t.minutes, settles(t, d)),
                   options.columns);
  }
  if (needs_caution(t)) {
    out += "\n  Cautions\n";
    for (const std::string& c : t.cautions) out += wrapped("    ! ", c, options.columns);
  }
  out += "\n  How\n";
  for (const std::string& h : t.how)
    out += wrapped("    - ", with_folder(h, options.folder), options.columns);
  if (!t.outcomes.empty()) out += "\n  What each result would mean\n";
  for (const TestAdvice::Outcome& o : t.outcomes) {
    out += wrapped(fmt::format("    {:>3.0f} %  ", 100.0 * o.probability),
                   fmt::format("{} -> {} ({:.0f} %)", o.words, o.then, 100.0 * o.then_probability),
                   options.columns);
  }
  if (!t.record.empty()) out += "\n  Write it down, for example\n";
  for (const std::string& r : t.record) {
    const bool whole = r.starts_with("pipebeat");
    out += "    " + with_folder(whole ? r : "pipebeat job read DIR " + r, options.folder) + '\n';
  }
  return out;
}

std::string why(const TestAdvice& t) {
  if (t.bits <= 0.0) return "the cause is known well enough; a repair that is proved settles it";
  std::string out = fmt::format("tells {:.2f} bit in {:g} min", t.bits, t.minutes);
  for (const TestAdvice::Outcome& o : t.outcomes) {
    out += fmt::format("; {} ({:.0f} %): then {} ({:.0f} %)", o.words, 100.0 * o.probability,
                       o.then, 100.0 * o.then_probability);
  }
  return out;
}

Json to_json(const TestAdvice& t) {
  Json j;
  j["test"] = t.test;
  j["minutes"] = number(t.minutes, 1);
  j["why"] = why(t);
  j["how"] = t.how;
  j["cautions"] = t.cautions;
  j["words"] = t.words;
  j["cylinder"] = t.cylinder != 0 ? Json(t.cylinder) : Json(nullptr);
  j["bits"] = number(t.bits, 4);
  j["record"] = t.record;
  j["outcomes"] = Json::array();
  for (const TestAdvice::Outcome& o : t.outcomes) {
    j["outcomes"].push_back({{"outcome", o.words},
                             {"probability", number(o.probability, 4)},
                             {"then", o.then},
                             {"then_probability", number(o.then_probability, 4)}});
  }
  return j;
}

}  // namespace

std::string day_and_time(const std::string& date) {
  std::string out = date;
  if (out.size() == 20 && out[10] == 'T') {
    out[10] = ' ';
    out.resize(16);
  }
  return out;
}

std::vector<RankedCause> causes_to_show(const Diagnosis& d) {
  if (!cylinder_open(d)) return d.causes;
  std::vector<RankedCause> out;
  for (const RankedCause& c : d.causes) {
    const auto same = std::find_if(out.begin(), out.end(),
                                   [&](const RankedCause& o) { return o.cause == c.cause; });
    if (same == out.end()) {
      out.push_back(c);
      out.back().cylinders.clear();
    } else {
      same->probability += c.probability;
    }
  }
  std::stable_sort(out.begin(), out.end(), [](const RankedCause& a, const RankedCause& b) {
    return a.probability > b.probability;
  });
  return out;
}

bool needs_caution(const TestAdvice& t) {
  return t.cautions != std::vector{std::string{no_caution}};
}

std::string place_in_words(const std::vector<int>& cylinders) {
  if (cylinders.empty()) return {};
  if (cylinders.size() == 1) return fmt::format(", cylinder {}", cylinders[0]);
  return fmt::format(", cylinders {}", fmt::join(cylinders, " and "));
}

std::string with_folder(std::string text, const std::string& folder) {
  constexpr std::string_view blank = "DIR";
  for (std::size_t at = text.find(blank); at != std::string::npos;
       at = text.find(blank, at + folder.size())) {
    text.replace(at, blank.size(), folder);
  }
  return text;
}

std::string engine_in_words(const JobCard& card) {
  std::string out = card.layout.empty() ? "" : card.layout + ", ";
  out += fmt::format("{} cylinder{}, {}-stroke, {}", card.engine.cylinders,
                     card.engine.cylinders == 1 ? "" : "s",
                     card.engine.strokes == 4 ? "four" : "two", to_string(card.bench.fuel));
  if (card.bench.injection == Injection::carburettor) {
    out += ", carburettor or mixer";
  } else {
    out += fmt::format(", {} injection", to_string(card.bench.injection));
  }
  if (card.bench.ignition == Ignition::leads) out += ", plug leads";
  if (card.bench.ignition == Ignition::coil_on_plug) out += ", coils on the plugs";
  if (!card.engine.order.empty()) {
    out += fmt::format(", firing order {}", fmt::join(card.engine.order, "-"));
    if (!card.order_stated) out += " (the usual one, not looked up)";
  }
  return out;
}

std::string sentence(const JobEntry& e) {
  switch (e.kind) {
    case JobEntry::Kind::reading: return reading_in_words(e.reading);
    case JobEntry::Kind::finding: return finding_in_words(e);
    case JobEntry::Kind::work:
      return (e.cylinder != 0 ? fmt::format("done, cylinder {}: ", e.cylinder) : "done: ") + e.text;
    case JobEntry::Kind::note: return "note: " + e.text;
    case JobEntry::Kind::withdrawal:
      return fmt::format("entry {} withdrawn{}{}", e.replaces, e.text.empty() ? "" : ": ", e.text);
  }
  return {};
}

std::string to_text(const JobCard& card, const Diagnosis& diagnosis,
                    const JobTextOptions& options) {
  std::string out = wrapped("", one_line(card.vehicle), options.columns);
  if (options.colour) out = "\x1b[1m" + out + "\x1b[0m";
  out += wrapped("  ", engine_in_words(card), options.columns);
  fmt::format_to(std::back_inserter(out), "  Begun {} UTC\n", day_and_time(card.created));
  if (!card.tools.empty()) {
    out += wrapped("  Tools  ", fmt::format("{}", fmt::join(card.tools, ", ")), options.columns);
  }
  out += "\n  History\n";
  if (card.entries.empty()) out += "    nothing yet\n";
  std::set<int> replaced;
  for (const JobEntry& e : card.entries) replaced.insert(e.replaces);
  for (const JobEntry& e : card.entries) {
    std::string text = one_line(sentence(e));
    if (e.replaces != 0 && e.kind != JobEntry::Kind::withdrawal) {
      text += fmt::format(" (corrects entry {})", e.replaces);
    }
    if (replaced.contains(e.id)) text += " [no longer holds]";
    out += wrapped(fmt::format("  {:>4}  {}  ", e.id, day_and_time(e.date)), text, options.columns);
  }
  return out + '\n' + next_text(card, diagnosis, options);
}

std::string next_text(const JobCard& card, const Diagnosis& diagnosis,
                      const JobTextOptions& options) {
  std::string out =
      wrapped("", fmt::format("What it points to ({})", one_line(card.vehicle)), options.columns);
  out += causes_text(diagnosis, options.columns) + cylinders_text(diagnosis, options.columns);
  if (!diagnosis.contradictions.empty()) out += "\n  These don't go together\n";
  for (const std::string& c : diagnosis.contradictions)
    out += wrapped("    ? ", c + ".", options.columns);
  if (!diagnosis.remarks.empty()) out += "\n  Mind\n";
  for (const std::string& r : diagnosis.remarks)
    out += wrapped("    - ", with_folder(r, options.folder) + ".", options.columns);
  out += wrapped("  ", assumption, options.columns) + '\n';
  if (diagnosis.tests.empty()) return out;
  out += test_text(diagnosis.tests.front(), diagnosis, options);
  constexpr std::size_t most_others = 4;
  if (diagnosis.tests.size() > 1) {
    out += '\n' + wrapped("  ", "Other tests worth doing, most telling for their time first",
                          options.columns);
  }
  for (std::size_t i = 1; i < std::min(diagnosis.tests.size(), most_others + 1); ++i) {
    const TestAdvice& t = diagnosis.tests[i];
    out += wrapped("    - ",
                   fmt::format("{}{} ({:g} min, settles {})", t.words,
                               t.cylinder != 0 ? fmt::format(", cylinder {}", t.cylinder) : "",
                               t.minutes, settles(t, diagnosis)),
                   options.columns);
  }
  return out + '\n' + wrapped("  ", workshop_caution(), options.columns);
}

std::string next_json(const JobCard& card, const Diagnosis& diagnosis) {
  Json j;
  j["schema"] = "pipebeat.next/1";
  j["vehicle"] = card.vehicle;
  j["causes"] = Json::array();
  for (const RankedCause& c : diagnosis.causes) {
    j["causes"].push_back(
        {{"cause", c.cause},
         {"cylinder", c.cylinders.empty() ? Json(nullptr) : Json(c.cylinders.front())},
         {"probability", number(c.probability, 6)},
         {"for", c.evidence_for},
         {"against", c.evidence_against},
         {"words", c.words},
         {"cylinders", c.cylinders}});
  }
  j["cylinders"] = Json::array();
  for (std::size_t i = 0; i < diagnosis.cylinder_probability.size(); ++i) {
    j["cylinders"].push_back(
        {{"cylinder", i + 1}, {"probability", number(diagnosis.cylinder_probability[i], 6)}});
  }
  j["contradictions"] = diagnosis.contradictions;
  j["remarks"] = diagnosis.remarks;
  j["settled"] = diagnosis.settled;
  j["next_test"] = diagnosis.tests.empty() ? Json(nullptr) : to_json(diagnosis.tests.front());
  j["other_tests"] = Json::array();
  for (std::size_t i = 1; i < diagnosis.tests.size(); ++i) {
    j["other_tests"].push_back(to_json(diagnosis.tests[i]));
  }
  return dump(j);
}

}  // namespace pipebeat::show
