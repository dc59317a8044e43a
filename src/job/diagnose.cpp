#include "job/diagnose.hpp"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <set>

#include "job/evidence.hpp"

namespace pipebeat::job {

namespace {

/// Sure enough to repair. A workshop repairs on less, and proves it afterwards either way.
constexpr double settled_at = 0.9;
/// Bits below which a test isn't worth its minutes.
constexpr double least_bits = 0.02;
/// Evidence that moves the odds by less than this factor is left out of the account.
constexpr double telling_factor = 1.3;

/// One fault in one place.
struct Hypothesis {
  std::size_t cause;           ///< index in the table
  std::vector<int> cylinders;  ///< one, two, or none for the whole engine
  double prior;
};

bool at(const Hypothesis& h, int cylinder) {
  return std::find(h.cylinders.begin(), h.cylinders.end(), cylinder) != h.cylinders.end();
}

/// P(outcome | hypothesis). `cylinder`: where it was read; of a naming reading the one that it
/// names, 0: none.
double chance_of(const TableReading& r, int outcome, int cylinder, const Hypothesis& h,
                 int cylinders) {
  const auto o = static_cast<std::size_t>(outcome);
  const std::vector<double>& p = r.by_cause[h.cause];
  if (r.where == TableReading::Where::engine) return p[o];
  if (r.where == TableReading::Where::cylinder) return at(h, cylinder) ? p[o] : r.otherwise[o];
  if (cylinder == 0) return p[o];
  const auto named = static_cast<double>(h.cylinders.size());
  if (named == 0.0) return (p[0] + p[1]) / cylinders;
  if (at(h, cylinder)) return p[0] / named;
  return p[1] / (cylinders - named);
}

/// P(piece | hypothesis), mixed over what the piece may have been.
double likelihood(const Piece& piece, const Table& table, const Hypothesis& h, int cylinders) {
  double sum = 0.0;
  for (const Piece::Alternative& a : piece.alternatives) {
    const TableReading& r = table.readings[piece.reading];
    sum += a.weight *
           chance_of(r, a.outcome, a.cylinder == 0 ? piece.cylinder : a.cylinder, h, cylinders);
  }
  return sum;
}

/// All faults this engine can have, priors adding up to 1; none when the table holds no cause for
/// it.
std::vector<Hypothesis> hypotheses(const JobCard& card, const Table& table, bool after_work) {
  const auto fuel = static_cast<std::size_t>(card.bench.fuel);
  std::vector<std::pair<int, int>> pairs;
  for (const auto& row : card.rows) {
    for (std::size_t i = 1; i < row.size(); ++i) pairs.emplace_back(row[i - 1], row[i]);
  }
  std::vector<Hypothesis> all;
  for (std::size_t c = 0; c < table.causes.size(); ++c) {
    const Cause& cause = table.causes[c];
    if (cause.prior[fuel] <= 0.0 || !cause.needs.met_by(card.bench)) continue;
    std::vector<std::vector<int>> places;
    if (cause.where == Cause::Where::engine) places.emplace_back();
    if (cause.where == Cause::Where::cylinder) {
      for (int n = 1; n <= card.bench.cylinders; ++n) places.push_back({n});
    }
    if (cause.where == Cause::Where::pair) {
      for (const auto& [a, b] : pairs) places.push_back({a, b});
    }
    for (auto& place : places)
      all.push_back({c, std::move(place), cause.prior[fuel] / static_cast<double>(places.size())});
  }
  double sum = 0.0;
  for (const Hypothesis& h : all) sum += h.prior;
  for (Hypothesis& h : all) h.prior /= sum;
  const auto cured = std::find_if(all.begin(), all.end(),
                                  [&](const Hypothesis& h) { return h.cause == table.cured; });
  if (after_work && table.cured_prior > 0.0 && cured != all.end()) {
    const double others = (1.0 - table.cured_prior) / (1.0 - cured->prior);
    for (Hypothesis& h : all) h.prior *= others;
    cured->prior = table.cured_prior;
  }
  return all;
}

std::string place_of(const Hypothesis& h) {
  if (h.cylinders.empty()) return {};
  if (h.cylinders.size() == 1) return fmt::format(", cylinder {}", h.cylinders[0]);
  return fmt::format(", cylinders {} and {}", h.cylinders[0], h.cylinders[1]);
}

/// The evidence against every hypothesis, and what follows: ranked causes, contradictions, the next
/// tests.
class Weighing {
 public:
  Weighing(const JobCard& card, const Table& table, Diagnosis& out)
      : card_{card}, table_{table}, out_{out}, evidence_{gather_evidence(card, table)} {
    out_.contradictions = evidence_.contradictions;
    out_.remarks = evidence_.remarks;
    all_ = hypotheses(card, table, evidence_.after_work);
    std::vector<double> weight(all_.size());
    for (std::size_t h = 0; h < all_.size(); ++h) {
      double sum = std::log(all_[h].prior);
      for (const Piece& p : evidence_.pieces) sum += p.voice * std::log(chance(p, h));
      weight[h] = sum;
    }
    const double top = weight.empty() ? 0.0 : *std::max_element(weight.begin(), weight.end());
    double total = 0.0;
    for (double w : weight) total += std::exp(w - top);
    for (double w : weight) posterior_.push_back(std::exp(w - top) / total);
  }

  [[nodiscard]] bool empty() const { return all_.empty(); }

  void causes() {
    out_.cylinder_probability.assign(static_cast<std::size_t>(card_.bench.cylinders), 0.0);
    for (std::size_t h = 0; h < all_.size(); ++h) {
      const Cause& cause = table_.causes[all_[h].cause];
      RankedCause ranked{cause.code, cause.words, all_[h].cylinders, posterior_[h], {}, {}};
      account(h, ranked);
      out_.causes.push_back(std::move(ranked));
      for (int c : all_[h].cylinders) {
        out_.cylinder_probability[static_cast<std::size_t>(c - 1)] += posterior_[h];
      }
    }
    std::stable_sort(out_.causes.begin(), out_.causes.end(),
                     [](const auto& a, const auto& b) { return a.probability > b.probability; });
    out_.settled = !out_.causes.empty() && out_.causes[0].probability >= settled_at;
  }

  void contradictions() {
    for (const Contradiction& c : table_.contradictions) {
      for (int n = 0; n <= card_.bench.cylinders; ++n) {
        const bool all = std::all_of(c.all.begin(), c.all.end(), [&](const auto& wanted) {
          return has(wanted.first, wanted.second, n);
        });
        // Readings of the whole engine fit any cylinder: say those only once.
        const bool of_cylinder = std::any_of(c.all.begin(), c.all.end(), [&](const auto& wanted) {
          return n != 0 && has(wanted.first, wanted.second, n) &&
                 !has(wanted.first, wanted.second, 0);
        });
        if (!all || (n != 0 && !of_cylinder)) continue;
        out_.contradictions.push_back((n != 0 ? fmt::format("cylinder {}: ", n) : "") + c.words);
        if (n == 0) break;
      }
    }
    two_faults();
  }

  void tests(const std::vector<std::string>& tools) {
    // Nobody unplugs anything on an engine that is well.
    if (out_.settled && cause_of(out_.causes.front()).sound) {
      out_.tests = {repair()};
      return;
    }
    std::set<std::string> missing;
    for (const TableTest& t : table_.tests) {
      if (!t.needs.met_by(card_.bench)) continue;
      bool owned = true;
      for (const std::string& tool : t.tools) {
        if (tools.empty() || std::find(tools.begin(), tools.end(), tool) != tools.end()) continue;
        missing.insert(tool);
        owned = false;
      }
      if (owned) best_place(t);
    }
    if (!missing.empty()) {
      out_.remarks.push_back(
          fmt::format("tests that need these tools are left out: {}", fmt::join(missing, ", ")));
    }
    std::stable_sort(out_.tests.begin(), out_.tests.end(), [](const auto& a, const auto& b) {
      return a.bits * b.minutes > b.bits * a.minutes;
    });
    if (out_.settled || out_.tests.empty()) out_.tests.insert(out_.tests.begin(), repair());
  }

 private:
  [[nodiscard]] double chance(const Piece& p, std::size_t h) const {
    return likelihood(p, table_, all_[h], card_.bench.cylinders);
  }

  /// Says so when two faults in different places, rare as that is, explain the readings better than
  /// any single one. A cylinder's readings then speak of the fault at that cylinder, the engine's
  /// of the fault that fits them better.
  void two_faults() {
    const auto& pieces = evidence_.pieces;
    double single = -std::numeric_limits<double>::infinity();
    double best = single;
    std::pair<std::size_t, std::size_t> pair;
    for (std::size_t a = 0; a < all_.size(); ++a) {
      double alone = std::log(all_[a].prior);
      for (const Piece& p : pieces) alone += p.voice * std::log(chance(p, a));
      single = std::max(single, alone);
      for (std::size_t b = a + 1; b < all_.size(); ++b) {
        const bool apart = std::none_of(all_[a].cylinders.begin(), all_[a].cylinders.end(),
                                        [&](int n) { return at(all_[b], n); });
        const bool sound = table_.causes[all_[a].cause].sound || table_.causes[all_[b].cause].sound;
        if (!apart || sound) continue;
        double both = std::log(all_[a].prior) + std::log(all_[b].prior);
        for (const Piece& p : pieces) {
          const double fit_a = chance(p, a);
          const double fit_b = chance(p, b);
          const bool of_a = p.cylinder != 0 && at(all_[a], p.cylinder);
          const bool of_b = p.cylinder != 0 && at(all_[b], p.cylinder);
          both += p.voice * std::log(of_a ? fit_a : of_b ? fit_b : std::max(fit_a, fit_b));
        }
        if (both > best) {
          best = both;
          pair = {a, b};
        }
      }
    }
    if (!(best > single)) return;
    const auto words = [&](std::size_t h) {
      return table_.causes[all_[h].cause].words + place_of(all_[h]);
    };
    out_.contradictions.push_back(
        fmt::format("two faults fit these readings better than any one: {}; and {}; or one of the "
                    "readings is wrong",
                    words(pair.first), words(pair.second)));
  }

  /// True when that was read on that cylinder, or on the engine.
  [[nodiscard]] bool has(std::size_t reading, int outcome, int cylinder) const {
    return std::any_of(evidence_.pieces.begin(), evidence_.pieces.end(), [&](const Piece& p) {
      if (p.reading != reading) return false;
      const auto& best =
          *std::max_element(p.alternatives.begin(), p.alternatives.end(),
                            [](const auto& a, const auto& b) { return a.weight < b.weight; });
      const int where = best.cylinder != 0 ? best.cylinder : p.cylinder;
      return best.outcome == outcome && (where == 0 || where == cylinder);
    });
  }

  [[nodiscard]] bool was_read(std::size_t reading, int cylinder) const {
    return std::any_of(evidence_.pieces.begin(), evidence_.pieces.end(), [&](const Piece& p) {
      const TableReading& r = table_.readings[p.reading];
      return r.group == table_.readings[reading].group && p.cylinder == cylinder;
    });
  }

  /// Evidence for and against one hypothesis: the factor by which it moves its odds.
  void account(std::size_t h, RankedCause& ranked) const {
    std::vector<std::pair<double, std::string>> moves;
    for (const Piece& p : evidence_.pieces) {
      double others = 0.0;
      double weight = 0.0;
      for (std::size_t i = 0; i < all_.size(); ++i) {
        if (i == h) continue;
        others += all_[i].prior * chance(p, i);
        weight += all_[i].prior;
      }
      if (weight <= 0.0) continue;
      moves.emplace_back(p.voice * std::log(chance(p, h) / (others / weight)), p.words);
    }
    std::stable_sort(moves.begin(), moves.end(), [](const auto& a, const auto& b) {
      return std::abs(a.first) > std::abs(b.first);
    });
    for (const auto& [move, words] : moves) {
      if (move > std::log(telling_factor)) ranked.evidence_for.push_back(words);
      if (move < -std::log(telling_factor)) ranked.evidence_against.push_back(words);
    }
  }

  /// The cylinder where this test tells most, if it tells anything anywhere.
  void best_place(const TableTest& t) {
    const TableReading& r = table_.readings[t.gives];
    const bool per_cylinder = r.where == TableReading::Where::cylinder;
    TestAdvice best;
    for (int n = per_cylinder ? 1 : 0; n <= (per_cylinder ? card_.bench.cylinders : 0); ++n) {
      if (was_read(t.gives, n)) continue;
      const bool ready = std::all_of(t.after.begin(), t.after.end(), [&](const auto& after) {
        return std::any_of(after.second.begin(), after.second.end(),
                           [&](int outcome) { return has(after.first, outcome, n); });
      });
      if (!ready) continue;
      TestAdvice advice = weigh(t, n);
      if (advice.bits > best.bits) best = std::move(advice);
    }
    if (best.bits >= least_bits) out_.tests.push_back(std::move(best));
  }

  TestAdvice weigh(const TableTest& t, int cylinder) const {
    const TableReading& r = table_.readings[t.gives];
    struct Possible {
      int outcome;
      int cylinder;
      std::string words;
    };
    std::vector<Possible> possible;
    const auto outcomes = static_cast<int>(r.outcomes.size());
    if (r.where == TableReading::Where::naming) {
      for (int n = 1; n <= card_.bench.cylinders; ++n) {
        possible.push_back({0, n, fmt::format("cylinder {}: {}", n, r.outcomes[0].second)});
      }
      for (int o = 2; o < outcomes; ++o) {
        possible.push_back({o, 0, r.outcomes[static_cast<std::size_t>(o)].second});
      }
    } else {
      for (int o = 0; o < outcomes; ++o) {
        possible.push_back({o, cylinder, r.outcomes[static_cast<std::size_t>(o)].second});
      }
    }
    TestAdvice advice{t.code, t.words, cylinder, t.minutes, 0.0, t.how, t.cautions, {}, {}};
    for (const Possible& p : possible) {
      double sum = 0.0;
      std::size_t top = 0;
      double most = -1.0;
      for (std::size_t h = 0; h < all_.size(); ++h) {
        const double joint =
            posterior_[h] * chance_of(r, p.outcome, p.cylinder, all_[h], card_.bench.cylinders);
        sum += joint;
        if (joint > most) {
          most = joint;
          top = h;
        }
      }
      for (std::size_t h = 0; h < all_.size(); ++h) {
        const double s = chance_of(r, p.outcome, p.cylinder, all_[h], card_.bench.cylinders);
        if (s > 0.0 && sum > 0.0) advice.bits += posterior_[h] * s * std::log2(s / sum);
      }
      advice.outcomes.push_back({p.words, sum,
                                 table_.causes[all_[top].cause].words + place_of(all_[top]),
                                 sum > 0.0 ? most / sum : 0.0});
    }
    for (std::string option : t.record) {
      name_cylinders(option, cylinder);
      advice.record.push_back(std::move(option));
    }
    return advice;
  }

  /// Fills in the cylinder where a recipe says N, and any other one where it says M.
  static void name_cylinders(std::string& text, int cylinder) {
    if (cylinder == 0) return;
    const auto fill = [&](std::string_view before, char letter, std::string_view after,
                          int number) {
      const std::string from = std::string{before} + letter + std::string{after};
      const std::size_t found = text.find(from);
      if (found != std::string::npos) {
        text.replace(found + before.size(), 1, std::to_string(number));
      }
    };
    fill("--cylinder ", 'N', "", cylinder);
    fill(":", 'N', ">", cylinder);
    fill(">", 'M', "", cylinder == 1 ? 2 : cylinder - 1);
  }

  [[nodiscard]] const Cause& cause_of(const RankedCause& ranked) const {
    return *std::find_if(table_.causes.begin(), table_.causes.end(),
                         [&](const Cause& c) { return c.code == ranked.cause; });
  }

  [[nodiscard]] TestAdvice repair() const {
    const RankedCause& top = out_.causes.front();
    const Cause& cause = cause_of(top);
    TestAdvice advice;
    if (top.cylinders.size() == 1) advice.cylinder = top.cylinders[0];
    advice.how = cause.repair;
    if (cause.sound) {
      advice.test = "nothing_to_repair";
      advice.words = "nothing to repair";
      advice.cautions = {std::string{no_caution}};
      return advice;
    }
    advice.test = "repair_and_prove";
    advice.words = "repair, then prove it";
    advice.minutes = 30.0;
    advice.how.emplace_back(
        "Write it down: pipebeat job read DIR --done \"what was done\"; from then on only what is "
        "heard and read afterwards counts.");
    advice.how.emplace_back(
        "Record at the same place and speed as before: pipebeat check --job DIR AFTER.");
    advice.cautions = {
        "Ignition voltage, fuel under pressure, hot parts, belts and fan can injure: the vehicle "
        "maker's procedure and local codes come first; leave what you are not sure of to a "
        "licensed workshop.",
        "Recording: outdoors, parking brake on, wheels chocked, clear of exhaust gas, hot pipe, "
        "belts and fan."};
    return advice;
  }

  const JobCard& card_;
  const Table& table_;
  Diagnosis& out_;
  Evidence evidence_;
  std::vector<Hypothesis> all_;
  std::vector<double> posterior_;  ///< of all_
};

}  // namespace

Diagnosis diagnose(const JobCard& card, const Table& table, const std::vector<std::string>& tools) {
  Diagnosis out;
  Weighing weighing{card, table, out};
  if (weighing.empty()) {
    out.remarks.emplace_back("the table of likelihoods holds no cause that fits this engine");
    return out;
  }
  weighing.causes();
  weighing.contradictions();
  weighing.tests(tools);
  return out;
}

JobCard before(const JobCard& card, int id) {
  JobCard earlier = card;
  std::erase_if(earlier.entries, [id](const JobEntry& e) { return e.id >= id; });
  return earlier;
}

}  // namespace pipebeat::job
