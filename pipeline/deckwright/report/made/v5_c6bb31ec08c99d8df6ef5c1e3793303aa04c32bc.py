from jinja2.runtime import LoopContext, Macro, Markup, Namespace, TemplateNotFound, TemplateReference, TemplateRuntimeError, Undefined, escape, identity, internalcode, markup_join, missing, str_join
name = 'reading.html'

def root(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    parent_template = None
    l_0_pieces = missing
    pass
    parent_template = environment.get_template('page.html', 'reading.html')
    for name, parent_block in parent_template.blocks.items():
        context.blocks.setdefault(name, []).append(parent_block)
    l_0_pieces = context.vars['pieces'] = environment.get_template('pieces.html', 'reading.html').make_module(context.get_all(), True, {'pieces': l_0_pieces})
    context.exported_vars.discard('pieces')
    yield from parent_template.root_render_func(context)

def block_lead(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    _block_vars = {}
    l_0_deck = resolve('deck')
    l_0_home = resolve('home')
    try:
        t_1 = environment.filters['link']
    except KeyError:
        @internalcode
        def t_1(*unused):
            raise TemplateRuntimeError("No filter named 'link' found.")
    try:
        t_2 = environment.filters['plural']
    except KeyError:
        @internalcode
        def t_2(*unused):
            raise TemplateRuntimeError("No filter named 'plural' found.")
    pass
    yield '<p class="soft">'
    yield escape(environment.finalize(t_2(environment.getattr((undefined(name='deck') if l_0_deck is missing else l_0_deck), 'cards'), 'picture')))
    yield ' of cards, each with 960 places for a hole. <a href="'
    yield escape(environment.finalize(t_1((undefined(name='home') if l_0_home is missing else l_0_home))))
    yield '">Back to the control sheet</a></p>'

def block_main(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    _block_vars = {}
    l_0_pieces = resolve('pieces')
    l_0_sign = resolve('sign')
    l_0_says = resolve('says')
    l_0_sides = resolve('sides')
    l_0_state = resolve('state')
    l_0_unseen = resolve('unseen')
    l_0_back = resolve('back')
    l_0_returned = resolve('returned')
    l_0_facts = resolve('facts')
    l_0_unsure = resolve('unsure')
    l_0_scale = resolve('scale')
    l_0_often = resolve('often')
    l_0_worst = resolve('worst')
    l_0_lines = resolve('lines')
    l_0_holes = resolve('holes')
    l_0_groups = resolve('groups')
    l_0_of_all = resolve('of_all')
    try:
        t_1 = environment.filters['link']
    except KeyError:
        @internalcode
        def t_1(*unused):
            raise TemplateRuntimeError("No filter named 'link' found.")
    pass
    yield escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'verdict'), (undefined(name='sign') if l_0_sign is missing else l_0_sign), (undefined(name='says') if l_0_says is missing else l_0_says), (undefined(name='sides') if l_0_sides is missing else l_0_sides), (undefined(name='state') if l_0_state is missing else l_0_state), (undefined(name='unseen') if l_0_unseen is missing else l_0_unseen), _block_vars=_block_vars)))
    yield '\n\n'
    if (undefined(name='back') if l_0_back is missing else l_0_back):
        pass
        yield '<p>'
        yield escape(environment.finalize((undefined(name='back') if l_0_back is missing else l_0_back)))
        yield ' <a href="'
        yield escape(environment.finalize(t_1((undefined(name='returned') if l_0_returned is missing else l_0_returned))))
        yield '">Returned cards</a></p>'
    yield '\n<section><h2>What the pictures show</h2>\n'
    if (undefined(name='facts') if l_0_facts is missing else l_0_facts):
        pass
        yield '<p class="soft">A picture may show more than one of these.</p>\n'
        def macro():
            t_3 = []
            pass
            t_3.extend((
                '<table class="reasons">\n',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Pictures', 'Share', 'Found'], (0,)))),
                '\n<tbody>',
            ))
            for (l_2_name, l_2_number, l_2_share) in (undefined(name='facts') if l_0_facts is missing else l_0_facts):
                l_2_deck = resolve('deck')
                _loop_vars = {}
                pass
                t_3.extend((
                    '<tr>',
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), l_2_number, _loop_vars=_loop_vars))),
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'bar'), l_2_number, environment.getattr((undefined(name='deck') if l_2_deck is missing else l_2_deck), 'cards'), l_2_share, _loop_vars=_loop_vars))),
                    '<td>',
                    escape(environment.finalize(l_2_name)),
                    '</td></tr>\n',
                ))
            l_2_name = l_2_number = l_2_share = l_2_deck = missing
            t_3.append(
                '</tbody></table>',
            )
            return concat(t_3)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'What the pictures show', caller=caller, _block_vars=_block_vars)
    else:
        pass
        yield '<p>Nothing out of the way.</p>'
    yield '</section>\n\n<section><h2>How sure the reading is</h2>\n<p>Every place of every card has a probability of a hole. The darker and larger a mark, the further the reading was from certain there, on average over all cards; '
    yield escape(environment.finalize((undefined(name='unsure') if l_0_unsure is missing else l_0_unsure)))
    yield '.</p>\n'
    yield escape(environment.finalize((undefined(name='scale') if l_0_scale is missing else l_0_scale)))
    yield '\n'
    def macro():
        t_4 = []
        l_1_doubt = resolve('doubt')
        pass
        t_4.extend((
            '<figure>',
            escape(environment.finalize((undefined(name='doubt') if l_1_doubt is missing else l_1_doubt))),
            '</figure>',
        ))
        return concat(t_4)
    caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
    yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'How doubtful each place is', caller=caller, _block_vars=_block_vars)
    if (undefined(name='often') if l_0_often is missing else l_0_often):
        pass
        yield '<p><b>Unsure most often</b>, with the number of cards: '
        yield escape(environment.finalize((undefined(name='often') if l_0_often is missing else l_0_often)))
        yield '.</p>'
    yield '</section>\n\n'
    if (undefined(name='worst') if l_0_worst is missing else l_0_worst):
        pass
        yield '<section><h2>Columns to look at, enlarged</h2>\n<p>The column lies between the two ticks, its neighbours beside it. A bar tells the probability of a hole in its row; a hollow bar with a question mark is unsure: between the two, or like neither hole nor paper whatever its probability.</p>\n<div class="columns">\n'
        for l_1_one in (undefined(name='worst') if l_0_worst is missing else l_0_worst):
            _loop_vars = {}
            pass
            yield '<figure><figcaption>'
            yield escape(environment.finalize(environment.getattr(l_1_one, 'name')))
            yield '<small>'
            yield escape(environment.finalize(environment.getattr(l_1_one, 'beside')))
            yield '</small></figcaption>'
            yield escape(environment.finalize(environment.getattr(l_1_one, 'picture')))
            yield '<p>'
            yield escape(environment.finalize(environment.getattr(l_1_one, 'says')))
            yield '</p></figure>\n'
        l_1_one = missing
        yield '</div></section>\n'
    yield '\n'
    if (undefined(name='lines') if l_0_lines is missing else l_0_lines):
        pass
        yield '<section><h2>Printed lines beside the punched characters</h2>\n<p>Boxed characters differ. What was recognised in print is a second opinion: it can cast doubt on a column, never settle one.</p>\n<div class="lines">\n'
        for l_1_one in (undefined(name='lines') if l_0_lines is missing else l_0_lines):
            _loop_vars = {}
            pass
            yield '<figure><figcaption>'
            yield escape(environment.finalize(environment.getattr(l_1_one, 'name')))
            yield '<small>'
            yield escape(environment.finalize(environment.getattr(l_1_one, 'beside')))
            yield '</small></figcaption>'
            def macro():
                t_5 = []
                pass
                t_5.append(
                    escape(environment.finalize(environment.getattr(l_1_one, 'picture'))),
                )
                return concat(t_5)
            caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
            yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), markup_join(('Printed line of ', environment.getattr(l_1_one, 'name'), ', ', environment.getattr(l_1_one, 'beside'), )), caller=caller, _loop_vars=_loop_vars)
            yield '</figure>\n'
        l_1_one = missing
        yield '</div></section>\n'
    yield '\n'
    if (undefined(name='holes') if l_0_holes is missing else l_0_holes):
        pass
        yield '<section><h2>Where the cards are punched</h2>\n<p>Each place is filled from below by the share of the cards that were read with a hole there; at the right, holes a card in each row.</p>\n'
        def macro():
            t_6 = []
            pass
            t_6.extend((
                '<figure>',
                escape(environment.finalize((undefined(name='holes') if l_0_holes is missing else l_0_holes))),
                '</figure>',
            ))
            return concat(t_6)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'How often each place is punched', caller=caller, _block_vars=_block_vars)
        yield '</section>\n'
    yield '\n'
    if (undefined(name='groups') if l_0_groups is missing else l_0_groups):
        pass
        yield '<section><h2>Contact sheet'
        yield escape(environment.finalize((undefined(name='of_all') if l_0_of_all is missing else l_0_of_all)))
        yield '</h2>\n'
        for l_1_group in (undefined(name='groups') if l_0_groups is missing else l_0_groups):
            _loop_vars = {}
            pass
            yield '<h3>'
            yield escape(environment.finalize(environment.getattr(l_1_group, 'sign')))
            yield ' '
            yield escape(environment.finalize(environment.getattr(l_1_group, 'title')))
            yield '</h3>\n<div class="contact">\n'
            for l_2_one in environment.getattr(l_1_group, 'cards'):
                _loop_vars = {}
                pass
                yield '<figure class="'
                yield escape(environment.finalize(environment.getattr(l_2_one, 'state')))
                yield '">'
                yield escape(environment.finalize(environment.getattr(l_2_one, 'picture')))
                yield '<figcaption>'
                yield escape(environment.finalize(environment.getattr(l_1_group, 'sign')))
                yield '<span><b>'
                yield escape(environment.finalize(environment.getattr(l_2_one, 'name')))
                yield '</b> '
                yield escape(environment.finalize(environment.getattr(l_1_group, 'word')))
                yield '</span><small>'
                yield escape(environment.finalize(environment.getattr(l_2_one, 'beside')))
                yield '</small></figcaption>'
                if environment.getattr(l_2_one, 'says'):
                    pass
                    yield '<p>'
                    yield escape(environment.finalize(environment.getattr(l_2_one, 'says')))
                    yield '</p>'
                yield '</figure>\n'
            l_2_one = missing
            yield '</div>\n'
        l_1_group = missing
        yield '</section>\n'
    yield '\n<section><h2>What the words mean</h2>\n'
    def macro():
        t_7 = []
        l_1_words = resolve('words')
        pass
        t_7.extend((
            '<table>',
            escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Word', 'It means']))),
            '\n<tbody>',
        ))
        for (l_2_sign, l_2_word, l_2_meaning) in (undefined(name='words') if l_1_words is missing else l_1_words):
            _loop_vars = {}
            pass
            t_7.extend((
                '<tr><td class="word">',
                escape(environment.finalize(l_2_sign)),
                ' ',
                escape(environment.finalize(l_2_word)),
                '</td><td>',
                escape(environment.finalize(l_2_meaning)),
                '</td></tr>\n',
            ))
        l_2_sign = l_2_word = l_2_meaning = missing
        t_7.append(
            '</tbody></table>',
        )
        return concat(t_7)
    caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
    yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'What the words mean', caller=caller, _block_vars=_block_vars)
    yield '</section>\n'

blocks = {'lead': block_lead, 'main': block_main}
debug_info = '1=13&2=16&4=20&6=48&7=79&9=81&12=89&13=92&14=97&15=100&13=118&20=123&21=125&22=127&23=139&25=145&29=148&33=163&37=166&41=187&44=190&47=203&48=206&49=208&50=212&52=216&58=243&59=252&58=270'
