#include "show/words.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "pipebeat/certainty.hpp"
#include "show/paragraphs.hpp"

namespace pipebeat::show {

namespace {

/// Positions that miss 95 % or more of their events.
int dead_positions(const Finding& f) {
  return static_cast<int>(std::count_if(f.positions.begin(), f.positions.end(),
                                        [](const auto& p) { return p.missing_ratio >= 0.95; }));
}

std::string small_number(int n) {
  static constexpr std::array words{"No", "One", "Two", "Three", "Four", "Five", "Six"};
  const auto i = static_cast<std::size_t>(std::max(n, 0));
  return i < words.size() ? std::string{words[i]} : std::to_string(n);
}

std::string pulses_missing(const Finding& f) {
  return f.missing_event_ratio
             ? percent(*f.missing_event_ratio) + " of the exhaust pulses are missing"
             : std::string{"exhaust pulses are missing"};
}

/// One position is heard: of that one nothing can be spread.
bool alone(const Report& report) { return report.engine.positions().size() == 1; }

bool says(const Finding& f, ReasonCode code) {
  return std::any_of(f.reasons.begin(), f.reasons.end(),
                     [code](const Reason& r) { return r.code == code; });
}

bool is_silent(const Finding& f) { return says(f, ReasonCode::silence); }

std::string unclear_headline(const Finding& f) {
  if (is_silent(f)) return "No answer: the recording is silent";
  const ReasonCode code = f.reasons.empty() ? ReasonCode::too_noisy : f.reasons.front().code;
  switch (code) {
    case ReasonCode::no_engine_heard: return "No answer: there is no running engine to be heard";
    case ReasonCode::too_short: return "No answer: the recording is too short";
    case ReasonCode::speed_not_found: return "No answer: the engine's speed could not be followed";
    case ReasonCode::speed_ambiguous: return "No answer: two engine speeds fit this sound";
    case ReasonCode::clipped: return "No answer: the recording is overloaded";
    case ReasonCode::layout_needed: return "No answer: the engine must be described more closely";
    default: return "No answer: too much other noise";
  }
}

}  // namespace

bool explains_unclear(ReasonCode code) { return static_cast<int>(code) < unclear_reason_count; }

std::string sentence(const Reason& r) {
  switch (r.code) {
    case ReasonCode::no_engine_heard: return "no running engine was heard in this sound";
    case ReasonCode::too_short:
      return fmt::format("only {:.1f} s of running engine could be used", r.value);
    case ReasonCode::speed_not_found: return "the engine's speed could not be followed";
    case ReasonCode::speed_ambiguous:
      return fmt::format("{:.0f} and {:.0f} rpm both fit this sound", r.value, r.value2);
    case ReasonCode::clipped:
      return fmt::format("the recording is overloaded: {} of it is clipped", percent(r.value));
    case ReasonCode::too_noisy:
      return fmt::format("the beat stands only {:.1f} dB above the other noise", r.value);
    case ReasonCode::layout_needed:
      return "this sound can be told apart only with the engine's firing intervals";
    case ReasonCode::empty_position:
      if (r.value >= 0.5) {
        return fmt::format(
            "position {} is judged empty, though something sounds in its place (level {:.2f}; 1 is "
            "a full pulse)",
            r.position, r.value);
      }
      return fmt::format("position {} carries {} pulse (level {:.2f}; 1 is a full pulse)",
                         r.position, r.value < 0.15 ? "no" : "hardly any", r.value);
    case ReasonCode::silent_pair: return "two positions carry no pulse";
    case ReasonCode::cylinders_switched_off:
      return "half the positions are empty, evenly: the engine may have switched these cylinders "
             "off on purpose, and one of half as many cylinders sounds the same";
    case ReasonCode::misses_at_position:
      return fmt::format("position {} misses {} of its pulses", r.position, percent(r.value));
    case ReasonCode::misses_spread:
      return fmt::format("the misses are spread, by no rule ({} of all pulses)", percent(r.value));
    case ReasonCode::low_position:
      if (r.value >= 0.85) {
        return fmt::format(
            "position {} is judged weak, though its level is near a full pulse's (level {:.2f}; 1 "
            "is a full pulse)",
            r.position, r.value);
      }
      return fmt::format("position {} fires with a small pulse (level {:.2f}; 1 is a full pulse)",
                         r.position, r.value);
    case ReasonCode::levels_wander:
      return fmt::format("the pulses differ from cycle to cycle by {}, yet every one is there",
                         percent(r.value));
    case ReasonCode::levels_agree:
      // Unequal pipes, echoes and noise part the levels too; the verdict rests on more than these.
      if (r.value > 0.3) {
        return fmt::format(
            "the positions' levels differ by {} of a full pulse, yet the cycle as a whole speaks "
            "for no miss",
            percent(r.value));
      }
      return fmt::format("the pulses of all positions agree within {}", percent(r.value));
    case ReasonCode::no_miss_in:
      return fmt::format("no pulse is missing in {:.0f}; a miss rarer than {} could still hide",
                         r.value, percent(r.value2));
    case ReasonCode::thin_evidence:
      return fmt::format("the evidence is thin (sure only to {})", percent(r.value));
    case ReasonCode::speed_moved:
      return fmt::format("the speed moved between {:.0f} and {:.0f} rpm", r.value, r.value2);
    case ReasonCode::stretches_masked:
      return fmt::format("{:.1f} s were left out because no steady running was heard in them",
                         r.value);
    case ReasonCode::low_frequencies_missing:
      return fmt::format("the microphone removed everything below {:.0f} Hz", r.value);
    case ReasonCode::gain_pumping:
      return fmt::format("the recorder's automatic gain moved by {:.0f} dB", r.value);
    case ReasonCode::mains_hum:
      return fmt::format("mains hum at {:.0f} Hz was left out of the judgement", r.value);
    case ReasonCode::wind: return "wind blew into the microphone";
    case ReasonCode::miss_in_part:
      return fmt::format(
          "this holds between {:.0f} and {:.0f} s of the recording; elsewhere no miss was heard",
          r.value, r.value2);
    case ReasonCode::guess_doubted:
      return fmt::format(
          "the speed was looked for near {:.0f} rpm, but {:.0f} fits this sound better", r.value,
          r.value2);
    case ReasonCode::count_doubted:
      return fmt::format(
          "an engine of {:.0f} cylinders, firing evenly, would explain this sound better than one "
          "of {:.0f}",
          r.value, r.value2);
    case ReasonCode::known_good_used:
      return "judged against the known-good recording of the same engine";
    case ReasonCode::silence:
      return fmt::format(
          "the recording is silent: nothing in it is louder than {:.0f} dB of full scale", r.value);
  }
  return std::string{to_string(r.code)};
}

std::string headline(const Report& report) {
  const Finding& f = report.finding;
  switch (f.verdict) {
    case Verdict::dead_miss: {
      const int dead = std::max(dead_positions(f), 1);
      return fmt::format("{} dead: {}",
                         dead == 1 ? "One cylinder is" : small_number(dead) + " cylinders are",
                         pulses_missing(f));
    }
    case Verdict::intermittent_miss: return "A cylinder misses now and then: " + pulses_missing(f);
    case Verdict::random_miss:
      return (alone(report) ? "The cylinder misses at random: "
                            : "The engine misses at random, on several cylinders: ") +
             pulses_missing(f);
    case Verdict::weak_cylinder:
      return "No miss, but one cylinder is weak: it fires with less force";
    case Verdict::rough_no_miss:
      return "No miss: the engine runs unevenly, yet every cylinder fires";
    case Verdict::even: return "No miss: every cylinder fires, evenly";
    case Verdict::unclear: return unclear_headline(f);
  }
  return "No answer";
}

std::string_view in_words(Verdict verdict) {
  switch (verdict) {
    case Verdict::dead_miss: return "a cylinder is dead";
    case Verdict::intermittent_miss: return "a cylinder misses now and then";
    case Verdict::random_miss: return "it misses at random";
    case Verdict::weak_cylinder: return "no miss, but a cylinder is weak";
    case Verdict::rough_no_miss: return "no miss, but it runs unevenly";
    case Verdict::even: return "no miss, it runs evenly";
    case Verdict::unclear: return "no answer";
  }
  return "no answer";
}

std::string in_words(const std::string& verdict) {
  for (std::size_t i = 0; i < verdict_count; ++i) {
    if (verdict == to_string(Verdict(i))) return std::string{in_words(Verdict(i))};
  }
  return verdict;
}

std::string source(const Report& report) {
  return report.file == "-" ? "standard input" : one_line(report.file);
}

std::vector<Figure> figures(const Report& report) {
  const Finding& f = report.finding;
  std::vector<Figure> out;
  if (f.confidence) out.push_back({"Sure", certainty(*f.confidence)});
  if (f.missing_event_ratio) {
    std::string text = fmt::format("{:.1f} %", 100.0 * *f.missing_event_ratio);
    if (f.missing_event_ratio_interval) {
      text += fmt::format(" (95 %: {})", percent(*f.missing_event_ratio_interval));
    }
    if (f.expected_events && f.missing_events) {
      text += fmt::format(", {} of {} pulses", *f.missing_events, *f.expected_events);
    }
    out.push_back({"Missing", std::move(text)});
  }
  if (f.underlying_rate_interval) {
    out.push_back({"Long run", fmt::format("{} of the pulses, if this verdict is right",
                                           percent(*f.underlying_rate_interval))});
  }
  if (!f.speed_bands.empty()) {
    std::string text;
    for (const SpeedBand& b : f.speed_bands) {
      text += fmt::format("{}{} of {} at {:.0f} to {:.0f} rpm", text.empty() ? "" : ", ", b.missing,
                          b.expected, b.low.value(), b.high.value());
    }
    out.push_back({"By speed", std::move(text)});
  }
  if (f.speed) {
    std::string text = fmt::format("{:.0f} rpm ({:.0f} to {:.0f})", f.speed->mean.value(),
                                   f.speed->min.value(), f.speed->max.value());
    if (f.firing_frequency) {
      text += fmt::format(", {:.1f} pulses a second", f.firing_frequency->value());
    }
    if (report.speed_guess) {
      text += fmt::format(", looked for near {:.0f}", report.speed_guess->value());
    }
    out.push_back({"Speed", std::move(text)});
  }
  return out;
}

namespace {

std::vector<std::string> steps(const Report& report, Place place) {
  const Finding& f = report.finding;
  const bool on_page = place == Place::page;
  static const std::string again =
      "Record again: 15 to 30 s at warm idle, an arm's length beside the exhaust stream, with a "
      "windscreen and the recorder's noise suppression and automatic gain off.";
  switch (f.verdict) {
    case Verdict::dead_miss: {
      std::vector<std::string> steps{
          "Find out which cylinder: the sound can't number it. Take the cylinders out of action "
          "one at a time; the one that changes nothing is the dead one" +
              std::string{on_page ? "." : " (`pipebeat droptest --help`)."},
          "Then test the cheap things first on that cylinder: spark (a diesel has none), injector, "
          "compression last."};
      if (says(f, ReasonCode::cylinders_switched_off)) {
        steps.insert(steps.begin(),
                     "Make sure that the engine does not rest cylinders at idle by design; if it "
                     "does, record again with that switched off or at a raised speed.");
      }
      return steps;
    }
    case Verdict::intermittent_miss:
      return {
          "Look for what comes and goes on one cylinder: plug lead, coil, plug, injector plug, in "
          "the wet and warm as well as dry and cold.",
          "Record at a raised steady speed too: a miss that clears as revs rise points to a valve "
          "or to air leaking in."};
    case Verdict::random_miss: {
      std::vector<std::string> out{
          alone(report)
              ? "Look for what comes and goes: mixture, air leaks, fuel supply, ignition."
              : "Look for what all cylinders share: mixture, air leaks after the air meter, "
                "fuel pressure, ignition supply.",
          "Record at a raised steady speed too, to see whether the misses clear."};
      if (report.engine.strokes() == 2) {
        // From memory: rich and unloaded, a two-stroke fires every other turn only; saws are set so
        // at full speed.
        out.insert(out.begin(),
                   "Make sure that it is no four-stroking: a two-stroke that runs rich or without "
                   "load leaves "
                   "out firings and is well. Choke off, warm, under some load: does it clear?");
      }
      return out;
    }
    case Verdict::weak_cylinder:
      return {"Compare the cylinders: compression, injector flow, valve clearance.",
              "Record again after the repair and compare the two."};
    case Verdict::rough_no_miss:
      return {"If it always ran like this (a sports camshaft, unequal pipes), leave it be.",
              "If it is new, check idle mixture, valve clearances and the exhaust for leaks."};
    case Verdict::even: {
      std::vector<std::string> out{
          "If you still feel a miss, record while it happens: under load, in the wet, cold or at a "
          "raised speed."};
      if (report.engine.strokes() == 2) {
        out.emplace_back(
            "Compare the speed above with a rev counter: a two-stroke that fires every other turn "
            "only "
            "(four-strokes) sounds like an even one at half its speed.");
      }
      return out;
    }
    case Verdict::unclear: break;
  }
  switch (f.reasons.empty() ? ReasonCode::too_noisy : f.reasons.front().code) {
    case ReasonCode::no_engine_heard:
      if (is_silent(f)) {
        return {
            "Play it: if you hear nothing, the microphone was muted, unplugged, or the recorder "
            "listened to another input.",
            again};
      }
      return {"Check that this is the right recording and that the engine runs in it.", again};
    case ReasonCode::speed_not_found:
    case ReasonCode::speed_ambiguous:
      if (report.speed_guess) return {again};
      return {on_page ? "Read the speed from the dashboard or an rpm meter and write it into the "
                        "page, under More about the engine."
                      : "Read the speed from the dashboard or an rpm meter and give it with --rpm.",
              again};
    case ReasonCode::clipped:
      return {"Move the microphone further from the pipe or lower the recording level.", again};
    case ReasonCode::layout_needed:
      return {on_page ? "Choose the engine's layout, or describe it yourself, under Engine."
                      : "Describe the engine with --order, --intervals and --heard, or pick a "
                        "layout from `pipebeat engines`."};
    default: return {again};
  }
}

}  // namespace

std::vector<std::string> next_steps(const Report& report, Place place) {
  std::vector<std::string> out = steps(report, place);
  if (says(report.finding, ReasonCode::count_doubted)) {
    out.insert(out.begin(),
               fmt::format("Make sure that it has {} cylinders and fires as described: with a "
                           "wrong number this answer is wrong, however sure.",
                           report.engine.cylinders()));
  } else if (report.finding.verdict == Verdict::dead_miss && dead_positions(report.finding) > 1) {
    out.insert(
        out.begin(),
        fmt::format("Make sure that it has {} cylinders: an engine of fewer can sound like this.",
                    report.engine.cylinders()));
  }
  // A guess that is wrong hides the engine.
  if (report.finding.verdict == Verdict::unclear && report.speed_guess) {
    out.insert(out.begin(),
               fmt::format("The speed was looked for near {:.0f} rpm only: if that may be wrong, "
                           "try again without {}.",
                           report.speed_guess->value(),
                           place == Place::page ? "it (leave that field empty)" : "--rpm"));
  }
  return out;
}

std::string_view recording_caution() {
  return "Caution when recording: outdoors, parking brake on, wheels chocked, clear of exhaust "
         "gas, hot pipe, belts and fan; the maker's procedure and local codes come first.";
}

std::string_view workshop_caution() {
  return "Caution: ignition voltage, fuel, hot parts, belts and fans can injure, and unburnt fuel "
         "overheats the catalyst: keep tests short, follow the vehicle maker's procedure and local "
         "codes, or leave it to a licensed workshop.";
}

std::string as_argument(std::string_view name) {
  constexpr std::string_view plain =
      "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_./,:=+@%-";
  const bool safe = !name.empty() && std::all_of(name.begin(), name.end(), [&](char c) {
    return static_cast<unsigned char>(c) >= 0x80 || plain.find(c) != plain.npos;
  });
  std::string out{name.starts_with('-') ? "./" : ""};
  if (safe) return out.append(name);
  out += '\'';
  for (const char c : one_line(name)) out += c == '\'' ? std::string{"'\\''"} : std::string{c};
  return out + '\'';
}

std::string one_line(std::string_view text) {
  std::string line{text};
  std::replace_if(
      line.begin(), line.end(),
      [](char c) {
        const auto byte = static_cast<unsigned char>(c);
        return byte < 0x20 || byte == 0x7F;
      },
      '?');
  return line;
}

}  // namespace pipebeat::show
