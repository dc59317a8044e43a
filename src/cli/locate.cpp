// pipebeat locate: the dead cylinder by one unplugging of a good one.
#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <memory>
#include <string>
#include <vector>

#include "audio/reader.hpp"
#include "cli/command.hpp"
#include "cli/engine_options.hpp"
#include "cli/hear.hpp"
#include "cli/job_note.hpp"
#include "cli/marks.hpp"
#include "core/beat_lines.hpp"
#include "core/trigger.hpp"
#include "pipebeat/droptest.hpp"
#include "show/droptest.hpp"
#include "show/words.hpp"

namespace pipebeat::cli {

namespace {

struct LocateOptions {
  std::vector<std::string> takes;
  std::vector<std::string> off;
  std::string marks;
  EngineOptions engine;
  std::optional<int> channel;
  std::optional<int> trigger;
  bool json = false;
};

/// A recording and what was unplugged in it.
struct Plan {
  std::string path;
  std::vector<Mark> marks;
};

Result<std::vector<Plan>> plan(const LocateOptions& options, const Engine& engine) {
  std::vector<Plan> plans;
  for (const std::string& path : options.takes) plans.push_back({path, {}});
  std::vector<Mark> in_take;
  for (const std::string& text : options.off) {
    if (text.find('=') != std::string::npos) {
      auto file = parse_off_file(text, engine, "--off");
      if (!file) return tl::unexpected(file.error());
      plans.push_back({file->second, {Mark{Seconds{0.0}, file->first}}});
      continue;
    }
    const auto mark = parse_off_at(text, engine);
    if (!mark) return tl::unexpected(mark.error());
    in_take.push_back(*mark);
  }
  if (!options.marks.empty()) {
    const auto marks = parse_marks(options.marks, engine);
    if (!marks) return tl::unexpected(marks.error());
    in_take.insert(in_take.end(), marks->begin(), marks->end());
  }
  std::stable_sort(in_take.begin(), in_take.end(),
                   [](const Mark& a, const Mark& b) { return a.at < b.at; });
  if (!in_take.empty()) {
    if (options.takes.size() != 1) {
      return fail(ErrorCode::bad_argument, "--off CYL@SECONDS and --marks belong to one take",
                  "give one recording with them");
    }
    plans.front().marks = in_take;
  } else if (options.takes.size() == 1 && options.off.empty()) {
    auto marks = marks_of_cues(options.takes.front(), engine);
    if (!marks) return tl::unexpected(marks.error());
    plans.front().marks = std::move(*marks);
  }
  const bool any = std::any_of(plans.begin(), plans.end(), [](const Plan& p) { return !p.marks.empty(); });
  if (!any) {
    return fail(ErrorCode::bad_argument, "nothing says which cylinder was unplugged",
                "give TAKE --off 1@10, or TAKE --off 1=unplugged.wav");
  }
  return plans;
}

/// What a second reading of a recording brings: lines of the channel heard, pulses of the trigger.
struct SecondReading {
  core::BeatLines lines;
  std::optional<core::TriggerChannel> trigger;
};

Result<SecondReading> read_again(const std::string& path, int channel, std::optional<int> trigger,
                                 const HearOptions& how) {
  auto reader = audio::AudioReader::open(path);
  if (!reader) return tl::unexpected(reader.error());
  const Hertz rate = reader->sample_rate();
  SecondReading out{core::BeatLines{rate}, std::nullopt};
  if (trigger) out.trigger.emplace(rate);
  const auto channels = static_cast<std::size_t>(reader->channels());
  constexpr std::size_t frames = 4096;
  std::vector<float> block(frames * channels);
  std::vector<float> one(frames);
  const auto pick = [&](int from, std::size_t count) {
    for (std::size_t i = 0; i < count; ++i) one[i] = block[i * channels + static_cast<std::size_t>(from - 1)];
    return std::span<const float>{one}.first(count);
  };
  // The same stretch as `hear` takes.
  constexpr double longest_s = 1e9;
  std::int64_t skip = std::llround(how.from_s * rate.value());
  std::int64_t left = std::llround(std::min(how.to_s, longest_s) * rate.value()) - skip;
  while (left > 0) {
    const std::int64_t want = std::min<std::int64_t>(frames, skip > 0 ? skip : left);
    const std::int64_t got = reader->read(std::span{block}.first(static_cast<std::size_t>(want) * channels)).value();
    if (got == 0) break;
    if (skip > 0) {
      skip -= got;
      continue;
    }
    left -= got;
    out.lines.push(pick(channel, static_cast<std::size_t>(got)));
    if (trigger) out.trigger->push(pick(*trigger, static_cast<std::size_t>(got)));
  }
  return out;
}

/// The channel to hear when another one is the trigger.
Result<std::optional<int>> channel_beside(const std::string& path, int trigger, std::optional<int> channel) {
  const auto reader = audio::AudioReader::open(path);
  if (!reader) return tl::unexpected(reader.error());
  const int channels = reader->channels();
  if (trigger < 1 || trigger > channels || channels < 2) {
    return fail(ErrorCode::bad_argument, fmt::format("{}: there is no channel {} for --trigger", path, trigger),
                channels < 2 ? "record two channels: the microphone and the clamp"
                             : fmt::format("it has {}", channels));
  }
  if (channel && *channel == trigger) {
    return fail(ErrorCode::bad_argument, "--channel and --trigger name the same channel",
                "the exhaust is on one, the trigger on the other");
  }
  if (channel) return channel;
  if (channels == 2) return std::optional<int>{3 - trigger};
  return fail(ErrorCode::bad_argument, fmt::format("{}: it has {} channels, one of them the trigger", path, channels),
              "say with --channel which one hears the exhaust");
}

/// True when the speed found changes so much at a mark that one side must be wrong.
bool jumps(const LocateTake& take) {
  constexpr double too_far = 1.4;
  for (std::size_t i = 1; i < take.lines.size(); ++i) {
    const double ratio = take.lines[i].cycle_frequency.value() / take.lines[i - 1].cycle_frequency.value();
    if (ratio > too_far || ratio < 1.0 / too_far) return true;
  }
  return false;
}

/// A recording as it was heard first, with what is needed to hear it otherwise.
struct HeardTake {
  Plan plan;
  HearOptions how;  ///< stretch, channel
  LocateTake take;
  std::optional<SecondReading> again;  ///< "-" can't be read again
  std::optional<core::Trigger> trigger;
};

Result<HeardTake> hear_first(const Plan& p, const LocateOptions& options, const Engine& engine, HearOptions how,
                             std::vector<HeardBefore>& before) {
  if (options.trigger) {
    const auto channel = channel_beside(p.path, *options.trigger, options.channel);
    if (!channel) return tl::unexpected(channel.error());
    how.channel = *channel;
  }
  // A long take is heard around its marks, so that it stays one piece: longer ones are heard in several,
  // and the phase is not followed from one to the next.
  constexpr double around_s = 20.0;
  constexpr double one_piece_s = 95.0;
  std::vector<Mark> marks = p.marks;
  if (!marks.empty() && marks.back().at.value() > 0.0) {
    how.from_s = std::max(0.0, marks.front().at.value() - around_s);
    how.to_s = marks.back().at.value() + around_s;
    while (marks.size() > 1 && how.to_s - how.from_s > one_piece_s) {
      how.to_s = std::min(marks.back().at.value(), marks[marks.size() - 2].at.value() + around_s);
      marks.pop_back();
    }
    if (marks.size() < p.marks.size()) {
      tell("Note: ", fmt::format("{}: the first {} of its {} marks are used, those within {:g} s.", show::one_line(p.path),
                                 marks.size(), p.marks.size(), one_piece_s));
    }
    for (Mark& m : marks) m.at = m.at - Seconds{how.from_s};
  }
  const auto heard = hear(p.path, engine, how);
  if (!heard) return tl::unexpected(heard.error());
  if (const auto another = expect_another(p.path, heard->listener, before); !another) return tl::unexpected(another.error());
  how.channel = heard->channel;
  HeardTake out{p, how, {heard->listener.finding(), marks}, std::nullopt, std::nullopt};
  out.take.begin = Seconds{how.from_s};
  if (p.path == "-") return out;
  auto again = read_again(p.path, heard->channel, options.trigger, how);
  if (!again) return tl::unexpected(again.error());
  out.again.emplace(std::move(*again));
  return out;
}

Hertz cycle_frequency(const HeardTake& heard, const Engine& engine) {
  return engine.cycle_frequency(heard.take.finding.speed->mean);
}

/// Lines on the phase of the trigger channel. The clamp sits on one lead all the time: a recording heard at a
/// speed at which it would pulse otherwise than in the others is heard again at the one that the pulses tell.
/// Of once and twice a cycle twice is right, the slower speed: cylinders that don't fire can make an engine
/// sound faster, nothing makes it sound slower.
Result<void> follow_triggers(std::vector<HeardTake>& takes, int channel, const Engine& engine) {
  auto rate = core::TriggerRate::other;
  for (HeardTake& heard : takes) {
    if (!heard.again || !heard.take.finding.speed) continue;
    heard.trigger = heard.again->trigger->trigger(engine, cycle_frequency(heard, engine));
    if (!heard.trigger) {
      return fail(ErrorCode::bad_argument, fmt::format("{}: channel {} holds no pulses that stand out", heard.plan.path, channel),
                  "engine off, clamp it round one plug lead, outside the insulation; raise its gain");
    }
    if (heard.trigger->rate == core::TriggerRate::once_a_cycle && rate == core::TriggerRate::other) rate = heard.trigger->rate;
    if (heard.trigger->rate == core::TriggerRate::every_turn) rate = heard.trigger->rate;
  }
  const double pulses = rate == core::TriggerRate::every_turn ? 2.0 : 1.0;
  for (HeardTake& heard : takes) {
    if (!heard.trigger) continue;
    if (heard.trigger->rate != rate) {
      heard.how.listener.speed_guess = engine.speed(Hertz{cycle_frequency(heard, engine).value() * heard.trigger->pulses_a_cycle / pulses});
      const auto told = hear(heard.plan.path, engine, heard.how);
      if (!told) return tl::unexpected(told.error());
      heard.take.finding = told->listener.finding();
      if (heard.take.finding.speed) heard.trigger = heard.again->trigger->trigger(engine, cycle_frequency(heard, engine));
    }
    if (!heard.trigger || heard.trigger->rate == core::TriggerRate::other) {
      return fail(ErrorCode::bad_argument,
                  fmt::format("{}: channel {} pulses {:.1f} times in an engine cycle, not once or twice", heard.plan.path, channel,
                              heard.trigger ? heard.trigger->pulses_a_cycle : 0.0),
                  "engine off, clamp one cylinder's lead, away from the others and from the coil's own");
    }
    heard.take.triggered = true;
    heard.take.trigger_every_turn = heard.trigger->rate == core::TriggerRate::every_turn;
    heard.take.lines = heard.again->lines.stretches(engine, heard.trigger->phase, {}, heard.take.marks);
  }
  return {};
}

/// Lines on the phase that is heard in the exhaust.
Result<void> follow_exhaust(HeardTake& heard, const Engine& engine) {
  if (!heard.again) return {};
  LocateTake& take = heard.take;
  const auto follow = [&](LocateTake& t) {
    t.lines = heard.again->lines.stretches(engine, core::phase_of(engine, t.finding.events), t.finding.events, t.marks);
  };
  follow(take);
  if (!jumps(take) || heard.how.listener.speed_guess) return {};
  // The pattern of firing cylinders changed, and with it what the speed was told by: hear it all at the
  // speed of one side.
  const std::vector<StretchLines> sides = take.lines;
  for (const StretchLines& side : sides) {
    HearOptions how = heard.how;
    how.listener.speed_guess = engine.speed(side.cycle_frequency);
    const auto guided = hear(heard.plan.path, engine, how);
    if (!guided) return tl::unexpected(guided.error());
    LocateTake other{guided->listener.finding(), take.marks};
    other.begin = take.begin;
    follow(other);
    const bool better = jumps(take) || other.finding.input.beat > take.finding.input.beat;
    if (!jumps(other) && other.lines.size() == sides.size() && better) take = std::move(other);
  }
  return {};
}

Result<std::vector<LocateTake>> hear_takes(const std::vector<Plan>& plans, const LocateOptions& options, const Engine& engine,
                                           const HearOptions& how) {
  std::vector<HeardTake> heard;
  std::vector<HeardBefore> before;
  for (const Plan& p : plans) {
    auto one = hear_first(p, options, engine, how, before);
    if (!one) return tl::unexpected(one.error());
    if (!options.trigger) {
      if (const auto followed = follow_exhaust(*one, engine); !followed) return tl::unexpected(followed.error());
      one->again.reset();  // so that but one recording is held
    }
    heard.push_back(std::move(*one));
  }
  if (options.trigger) {
    if (const auto followed = follow_triggers(heard, *options.trigger, engine); !followed) return tl::unexpected(followed.error());
  }
  std::vector<LocateTake> takes;
  for (HeardTake& one : heard) takes.push_back(std::move(one.take));
  return takes;
}

ExitStatus run(const LocateOptions& options) {
  const auto engine = options.engine.engine();
  const auto how = hear_options(options.engine, options.channel);
  if (!engine || !how) {
    complain(engine ? how.error() : engine.error());
    return ExitStatus::trouble;
  }
  if (!has_others(*engine, "locate")) return ExitStatus::trouble;
  const auto plans = plan(options, *engine);
  if (!plans) {
    complain(plans.error());
    return ExitStatus::trouble;
  }
  const auto takes = hear_takes(*plans, options, *engine, *how);
  if (!takes) {
    complain(takes.error());
    return ExitStatus::trouble;
  }
  const Location location = locate(*engine, *takes);
  const auto assumed = options.engine.assumed_order(*engine);
  const std::string json = show::to_json(location, assumed);
  fmt::print("{}", options.json ? json + '\n'
                                : show::to_text(location, text_options(), assumed));
  std::vector<std::string> paths;
  for (const Plan& p : *plans) paths.push_back(p.path);
  if (!note_in_job(options.engine.job, "locate", paths, json, !options.json)) return ExitStatus::trouble;
  if (!location.answered) return ExitStatus::unclear;
  return location.candidates.empty() ? ExitStatus::no_miss : ExitStatus::miss;
}

}  // namespace

void add_locate(CLI::App& program, Action& chosen) {
  const auto options = std::make_shared<LocateOptions>();
  CLI::App* command = program.add_subcommand(
      "locate", "Name the dead cylinder by unplugging one good cylinder during a recording");
  command
      ->add_option("TAKE", options->takes,
                   "A recording in which a good cylinder is unplugged partway, or one with everything "
                   "plugged in")
      ->type_name("");
  command
      ->add_option("--off", options->off,
                   "Cylinder unplugged from a time on, or in a recording of its own")
      ->type_name("CYL@SECONDS|CYL=REC");
  command
      ->add_option("--marks", options->marks,
                   "All that was unplugged in TAKE: seconds:cylinder, or on; default its cue points")
      ->type_name("10:1,20:on,...");
  options->engine.add_to(*command);
  command->add_option("--channel", options->channel,
                      "Channel to listen to, from 1; default the one with the most beat");
  command->add_option("--trigger", options->trigger,
                      "Channel that pulses when one cylinder sparks (inductive clamp, contact microphone on "
                      "its lead): the phase of the cycle comes from it")
      ->type_name("CHANNEL");
  command->add_flag("--json", options->json, "One JSON object");
  command->footer(std::string{show::unplugging_caution()} +
                  "\n\nExit status: 0 none dead, 1 a dead one named, 2 trouble, 3 unclear.\n"
                  "Example: pipebeat locate --cylinders 4 --order 1-3-4-2 van.wav --off 1@10");
  command->callback([&chosen, options] { chosen = [options] { return run(*options); }; });
}

}  // namespace pipebeat::cli
